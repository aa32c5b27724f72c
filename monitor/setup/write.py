"""Writes a config with comments, from what was found and answered."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from monitor.setup.ask import measures_fahrenheit
from rules.errors import FilmcallError
from rules.text import printable
from rules.vocabulary import WorkedOutFrom
from sensors.reading import Quantity


class SetupFault(FilmcallError):
    """Nothing can be set up from what was given; the text is one sentence."""


@dataclass(frozen=True, slots=True)
class PointDraft:
    """One point as it will stand in the config.

    Attributes:
        name: of the sensor body.
        quantity: what it measures.
        unit: of its values.
        column: of a recording, or None.
        topic: on a broker, or None.
        value: path in its messages, or None.
        section: that it stands for, or None for the whole work.
        confirmed: whether the file or a person says what it is.
        comment: why it is taken for that, or "".
        worked_out_from: what its values are in place of a humidity, or None.
    """

    name: str
    quantity: Quantity
    unit: str
    column: str | None = None
    topic: str | None = None
    value: str | None = None
    section: str | None = None
    confirmed: bool = True
    comment: str = ""
    worked_out_from: WorkedOutFrom | None = None


@dataclass(slots=True)
class ConfigDraft:
    """A config as it will be written.

    Attributes:
        source: what it was made from, for its first line.
        enclosure: its name.
        spec: of the next coat.
        timezone: of the enclosure.
        points: in order.
        replay: keys of [replay].
        broker: keys of [broker], or None.
        station: this computer's name at the broker, or "".
        left_out: what was not used, one comment each.
    """

    source: str
    enclosure: str
    spec: str
    timezone: str
    points: Sequence[PointDraft]
    replay: dict[str, str] = field(default_factory=dict)
    broker: dict[str, str | int] | None = None
    station: str = ""
    left_out: Sequence[str] = ()


def quoted(value: str | int) -> str:
    """Return a value as TOML has it."""
    return str(value) if isinstance(value, int) else json.dumps(value, ensure_ascii=False)


def config_text(draft: ConfigDraft) -> str:
    """Return the text of a config.

    Args:
        draft: what is to stand in it.
    """
    lines = [
        f"# Written by filmcall setup from {printable(draft.source, 200)}.",
        "# Change what is not right; filmcall doctor --config with this file looks it over.",
        "",
    ]
    if draft.broker is not None:
        lines += ["[broker]", *(f"{key} = {quoted(value)}" for key, value in draft.broker.items())]
        lines.append("")
    if draft.station:
        named = f"station = {quoted(draft.station)}    # no two computers may share one"
        lines += ["[publish]", named, ""]
    if draft.replay:
        lines.append("[replay]")
        lines += [f"{key} = {quoted(value)}" for key, value in draft.replay.items()]
        lines.append("")
    if measures_fahrenheit(draft.timezone):
        lines += ["[display]", 'units = "us"    # or "metric"; FILMCALL_UNITS goes first', ""]
    lines += [
        "[[enclosure]]",
        f"name = {quoted(draft.enclosure)}",
        f"spec = {quoted(draft.spec)}    # of the next coat: filmcall spec list",
        f"timezone = {quoted(draft.timezone)}    # in which times are shown",
    ]
    if not any(point.quantity is Quantity.SURFACE_TEMP for point in draft.points):
        lines += [
            "# No probe lies on the hull, so there is no dew margin and never a GO. Where you know",
            "# how far the coldest part of the hull stands under the air at its worst, say so:",
            '# assumed_surface_offset = "-3 K"',
        ]
    for point in draft.points:
        lines += ["", *_point_lines(point)]
    if draft.left_out:
        lines += ["", "# Not used:"]
        lines += [f"#   {printable(each, 300)}" for each in draft.left_out]
    return "\n".join(lines) + "\n"


def _point_lines(point: PointDraft) -> list[str]:
    lines = ["[[enclosure.point]]"]
    if point.comment:
        lines.append(f"# {printable(point.comment, 300)}")
    lines += [f"name = {quoted(point.name)}", f'quantity = "{point.quantity}"']
    lines.append(f"unit = {quoted(point.unit)}")
    if not point.confirmed:
        lines += [
            "confirmed = false    # a guess: its values are not used and the call stays HOLD;",
            "                     # correct what is wrong here and set this to true",
        ]
    for key, value in (
        ("worked_out_from", point.worked_out_from),
        ("topic", point.topic), ("value", point.value), ("column", point.column),
        ("section", point.section),
    ):  # fmt: skip
        if value is not None:
            lines.append(f"{key} = {quoted(value)}")
    return lines


def free_path(folder: Path, wanted: Path | None) -> Path:
    """Return where the config is to be written; nothing is overwritten.

    Raises:
        SetupFault: the wanted file exists.
    """
    if wanted is not None:
        if wanted.exists():
            raise SetupFault(
                f"{wanted} exists, and nothing is overwritten; give another name with --out"
            )
        return wanted
    for number in range(1, 1000):
        path = folder / ("filmcall.toml" if number == 1 else f"filmcall-{number}.toml")
        if not path.exists():
            return path
    raise SetupFault(f"{folder} holds a thousand configs; give a name with --out")


def put(path: Path, text: str) -> None:
    """Write a new file.

    Raises:
        SetupFault: it cannot be written, or has come to exist.
    """
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as fault:
        why = (fault.strerror or type(fault).__name__).lower()
        raise SetupFault(
            f"{path} cannot be written ({why}), so no config was made; give another with --out"
        ) from None
