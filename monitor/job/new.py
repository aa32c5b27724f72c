"""`filmcall plan new`: writes a job file to fill in, from a config's enclosures and sections."""

from __future__ import annotations

import time
from pathlib import Path

from monitor.config.load import load_config_file
from monitor.log.files import written
from rules.text import date_text
from rules.units import DAY_S
from rules.vocabulary import ALL_SECTIONS
from sensors.zones import UTC_NAME, zone_named

_HEAD = """\
# A job for 'filmcall plan' and 'filmcall today': change every line that is not yours.
[job]
boat = "the boat"
must_be_done = "{done}"   # by the end of that day every film is cured
start = "{start}"
timezone = "{zone}"
hours = {{ mon-fri = "17:00-21:00", sat = "08:00-12:00, 13:00-18:00" }}
closed = []                     # days without work
people = 1
"""
_ENCLOSURE = """
[enclosure.{name}]
warmer = "0 K"                  # above the air outside; or kind = "sheet", "shed" or "open".
                                # A log with the air outside beside it goes before both
"""
_SECTION = """
[[section]]
name = "{name}"
enclosure = "{enclosure}"
area = "5 m2"
beside = []                     # sections that its tape lies on
system = [                      # in order; a coat is a shipped spec, or a file beside this one;
                                # where its sheet asks: method = "gun", hardener = "winter"
  {{ coat = "two-pack-epoxy-primer", times = 2, dry = "50 um", takes = "1 h" }},
  {{ sand = "320", takes = "3 h" }},
  {{ coat = "polyurethane-topcoat", times = 2, dry = "40 um", takes = "1 h" }},
]
"""


def write_new(out: Path, config_file: Path | None) -> str:
    """Write a job file and say so.

    Args:
        out: of the file; one that is there is not overwritten.
        config_file: whose enclosures and sections; without one a tent with one section.

    Raises:
        FilmcallError: the config cannot be used, or the file is there.
    """
    zone = UTC_NAME
    places: dict[str, tuple[str, ...]] = {"polytunnel": ("hull-port",)}
    if config_file is not None:
        config = load_config_file(config_file)
        zone = config.enclosures[0].timezone
        places = {
            each.name: tuple(
                dict.fromkeys(
                    point.section for point in each.points
                    if point.section not in (None, ALL_SECTIONS)
                )
            ) or ("hull-port",)
            for each in config.enclosures
        }  # fmt: skip
    now_s = time.time()
    found = zone_named(zone)
    text = _HEAD.format(
        start=date_text(now_s, found), done=date_text(now_s + 30 * DAY_S, found), zone=zone
    )
    text += "".join(_ENCLOSURE.format(name=name) for name in places)
    for enclosure, names in places.items():
        text += "".join(_SECTION.format(name=name, enclosure=enclosure) for name in names)
    with written(out) as file:
        file.write(text)
    if str(out) == "-":
        return (
            "Keep it as a file and fill it in, then: filmcall plan --job FILE --forecast FILE.csv"
        )
    return f"{out} is written. Fill it in, then: filmcall plan --job {out} --forecast FILE.csv"
