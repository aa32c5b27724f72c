"""Reads a coating spec from the text of its TOML file, or says everything that is wrong with it.

The file's form is told in DEVELOPERS.md; the caller reads the file, this module takes its text.
"""

from __future__ import annotations

import re
import tomllib

from rules.errors import SpecFault
from rules.spec.checks import check_limits, check_order, check_tape, check_window, time_key
from rules.spec.model import COATING_TIME_S, DWELL_S, GO_BAND, RE_ENTRY_BAND, RE_ENTRY_S, Spec
from rules.spec.read import (
    METHODS,
    TIME_KEYS,
    check_needed_times,
    read_band,
    read_cooling,
    read_limits,
    read_measurements,
    read_mix,
    read_pot_sizes,
    read_provenance,
    read_recoat,
    read_times,
)
from rules.spec.write import FAMILIES, new_spec_text, spec_dict
from rules.toml_lines import key_lines
from rules.toml_table import Fault, Faults, Table
from rules.units import shown
from rules.vocabulary import ClockName

__all__ = ["FAMILIES", "Fault", "check_spec", "load_spec", "new_spec_text", "spec_dict"]

_TOP = (
    "name",
    "title",
    "family",
    "source",
    "limits",
    "wet_film_cooling",
    "times",
    "recoat_before",
    "pot_sizes",
    "tape",
    "mix",
    "call",
    "measure",
    "advice",
)


def load_spec(text: str, name: str) -> Spec:
    """Read a spec.

    Args:
        text: the file's text.
        name: what to call it in messages: a shipped spec's name or the file's.

    Returns:
        The spec, in SI units.

    Raises:
        SpecFault: anything is wrong with it; the text lists every fault.
    """
    spec, faults = _read(text)
    if spec is None:
        count = f"{len(faults)} fault{'' if len(faults) == 1 else 's'}"
        listed = "\n".join(f"  {fault}" for fault in faults)
        raise SpecFault(f"spec {shown(name)} has {count} and is not used:\n{listed}")
    return spec


def check_spec(text: str, name: str) -> tuple[Fault, ...]:
    """Say everything that is wrong with a spec, at once.

    Args:
        text: the file's text.
        name: what the caller calls it; the faults do not repeat it.

    Returns:
        Every fault by line; empty where the spec can be used.
    """
    del name
    return _read(text)[1]


def _read(text: str) -> tuple[Spec | None, tuple[Fault, ...]]:
    text = text.removeprefix("\ufeff")
    try:
        values = tomllib.loads(text)
        faults = Faults(key_lines(text))
    except RecursionError:
        return None, (Fault("", 1, "is nested too deeply to be a spec", "see filmcall spec new"),)
    except tomllib.TOMLDecodeError as error:
        return None, (_syntax_fault(text, str(error)),)
    except ValueError:  # Python itself refuses to read a number of more than 4300 digits
        before = re.split(r"\d{1000}", text, maxsplit=1)[0]
        mend = 'write each figure with its unit in quotes, such as "3 K"'
        return None, (
            Fault("", 1 + before.count("\n"), "holds a number too long to be read", mend),
        )

    top = Table(values, (), faults, _TOP)
    name = top.slug("name", example="my-coating")
    title = top.words("title", example="My coating")
    family = top.one_of("family", FAMILIES, required=True) or ""
    provenance = read_provenance(top)
    times_table = top.table("times", TIME_KEYS)
    times = read_times(times_table, TIME_KEYS)
    limits = read_limits(top)
    check_limits(limits, times_table, faults)
    check_order(times, faults)
    check_window(times, ("times", time_key(ClockName.RECOAT_CLOSES)), faults)
    check_needed_times(times_table, family)
    recoat = read_recoat(top, times)
    tape_s = top.table("tape", ("not_after",)).duration("not_after")
    check_tape(times, tape_s, faults)
    pots = read_pot_sizes(top.table("pot_sizes", None))
    mix = read_mix(top, family)
    measurements = tuple(read_measurements(top))
    cooling = read_cooling(top.table("wet_film_cooling", METHODS))
    call = top.table("call", ("dwell", "re_entry", "coating_time", "go_band", "re_entry_band"))
    dwell_s = call.duration("dwell", default=DWELL_S)
    re_entry_s = call.duration("re_entry", default=RE_ENTRY_S)
    coating_time_s = call.duration("coating_time", default=COATING_TIME_S)
    go_band = read_band(call, "go_band", GO_BAND)
    re_entry_band = read_band(call, "re_entry_band", RE_ENTRY_BAND)
    advice = top.table("advice", ("reminder", "after_closes"))
    reminder, after_closes = advice.words("reminder"), advice.words("after_closes")

    found = faults.in_order()
    if found or dwell_s is None or re_entry_s is None or coating_time_s is None:
        return None, found
    return (
        Spec(
            name=name,
            title=title,
            family=family,
            provenance=provenance,
            limits=limits,
            wet_film_cooling_k=cooling,
            times=times,
            recoat_by_next=recoat,
            pot_sizes=pots,
            tape_not_after_s=tape_s,
            mix=mix,
            go_band=go_band,
            re_entry_band=re_entry_band,
            dwell_s=dwell_s,
            re_entry_s=re_entry_s,
            coating_time_s=coating_time_s,
            measurements=measurements,
            reminder=reminder,
            after_closes=after_closes,
        ),
        (),
    )


def _syntax_fault(text: str, message: str) -> Fault:
    lines = text.splitlines() or [""]
    found = re.search(r" \(at line (\d+), column \d+\)", message)
    line = int(found[1]) if found else len(lines)
    problem = message.replace(found[0], "") if found else message.split(" (at")[0]
    written = lines[min(line, len(lines)) - 1]
    if re.search(r"[=:]\s*[+-]?\d[\d.]*\s*[A-Za-z%°]", written):
        mend = 'put each figure with its unit in quotes, such as "3 K"'
    elif "overwrite" in message or "declare" in message:
        mend = "this key or table stands in the file twice: remove one"
    else:
        mend = 'a line is [table], key = "figure unit", or a # comment'
    return Fault("", line, f"is not TOML: {problem[:1].lower()}{problem[1:]}", mend)
