"""JSON and plain numbers, read strictly: what a float or a person could misread is refused."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from typing import Any

from rules.text import printable
from sensors.wire import FaultKind, PayloadFault

MAX_DEPTH = 32  # deepest nesting in a message; common practice, no source

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_OTHER_THAN_ZERO = re.compile(r"[^eE1-9]*[1-9]")
# Text is passed over whole, so that a word in it is not taken for a value. Without a closing quote
# it runs to the message's end: to look for one again from each quote on would take the square of
# the length.
_STRING = re.compile(r'"(?:[^"\\]|\\.)*+"?', re.DOTALL)
_NO_NUMBER = re.compile(
    r'"(?:[^"\\]|\\.)*+"?|[+-]?\b(?:nan|inf(?:inity)?)\b', re.DOTALL | re.IGNORECASE | re.ASCII
)


def is_number(text: str) -> bool:
    """Return whether a text is one decimal number and nothing else."""
    return _NUMBER.fullmatch(text) is not None


def plain_number(text: str) -> float:
    """Return the number that a whole message is.

    Raises:
        PayloadFault: it is anything but one decimal number within a float.

    >>> plain_number("-2.5e1")
    -25.0
    """
    if is_number(text):
        return _finite(text)
    if text.lower().lstrip("+-") in ("nan", "inf", "infinity"):
        kind = FaultKind.NOT_FINITE
    elif text == "null":
        kind = FaultKind.NO_VALUE
    elif text.lower() in ("true", "false"):
        kind = FaultKind.BOOLEAN
    elif len(text) > 2 and text[0] == text[-1] == '"' and is_number(text[1:-1]):
        kind = FaultKind.NUMBER_AS_TEXT
    else:
        kind = FaultKind.NOT_A_NUMBER
    raise PayloadFault(
        kind,
        f"message '{printable(text, 40)}' is not a plain number; refused. "
        "Send digits with a point, or set value to a path in JSON.",
    )


def parse_json(text: str) -> Any:
    """Return a JSON document in which every number is finite and every key unique and printable.

    Raises:
        PayloadFault: it is not such a document, or nests deeper than `MAX_DEPTH`.

    >>> parse_json('{"a": [1, 2.5]}')
    {'a': [1, 2.5]}
    """
    return _parse(text, _STRICT)


def parse_gaps(text: str) -> Any:
    """Return a JSON document as `parse_json` does, but with NaN where no number can stand.

    That is where the sender has printed NaN, Infinity, or what C makes of them, like `-nan`.

    Raises:
        PayloadFault: it is odd in another way too.

    >>> parse_gaps('{"a": [1, -inf], "b": "nan"}')
    {'a': [1, nan], 'b': 'nan'}
    """
    marked = _NO_NUMBER.sub(lambda found: found[0] if found[0][0] == '"' else "NaN", text)
    return _parse(marked, _WITH_GAPS)


def _parse(text: str, decoder: json.JSONDecoder) -> Any:
    _check_depth(text)
    try:
        return decoder.decode(text)
    except json.JSONDecodeError as fault:
        kind = FaultKind.NOT_JSON
        if fault.msg.startswith("Invalid control character"):
            kind = FaultKind.CONTROL_CHARACTER
        raise PayloadFault(
            kind, f"message is not JSON at character {fault.pos}: {fault.msg}; refused."
        ) from None


def look_up(document: Any, path: str) -> Any:
    """Return what stands at a dotted path.

    In a list a number names a place, counted from 0, and `key=value` the one member that says so
    of itself, wherever it stands.

    Raises:
        PayloadFault: nothing stands there.

    >>> look_up({"a": [{"b": 7}], "x.y": 8}, "a.0.b"), look_up({"x.y": 8}, "x.y")
    (7, 8)
    >>> look_up({"probes": [{"id": "bow", "t": 7}, {"id": "hull", "t": 5}]}, "probes.id=hull.t")
    5
    """
    node, rest = document, path
    while True:
        if isinstance(node, dict):
            if rest in node:  # a key may hold dots itself
                return node[rest]
            step, dot, after = rest.partition(".")
            found = step in node and bool(dot)
            node = node[step] if found else None
        elif isinstance(node, list):
            step, dot, after = rest.partition(".")
            index = int(step) if step.isascii() and step.isdigit() and len(step) < 6 else -1
            if "=" in step:
                index = _member(node, step)
            found = 0 <= index < len(node)
            if found and not dot:
                return node[index]
            node = node[index] if found else None
        else:
            found, after = False, ""
        if not found:
            raise PayloadFault(
                FaultKind.NO_VALUE,
                f"nothing stands at '{printable(path, 60)}' in the message; value refused. "
                "Check the path in the config.",
            )
        rest = after


def _member(members: list[Any], step: str) -> int:
    """Return the place of the one member whose key has a value, or -1 where none or two have."""
    key, _, value = step.partition("=")
    fitting = [
        at for at, each in enumerate(members) if isinstance(each, dict) and each.get(key) == value
    ]
    return fitting[0] if len(fitting) == 1 else -1


def _check_depth(text: str) -> None:
    if text.count("[") + text.count("{") <= MAX_DEPTH:
        return
    depth = 0
    for character in _STRING.sub('""', text):
        if character in "[{":
            depth += 1
            if depth > MAX_DEPTH:
                raise PayloadFault(
                    FaultKind.TOO_DEEP,
                    f"message nests deeper than {MAX_DEPTH} levels; refused. Send it flatter.",
                )
        elif character in "]}":
            depth -= 1


def _constant(name: str) -> float:
    raise PayloadFault(
        FaultKind.NOT_FINITE, f"message holds {name}, which JSON does not know; refused."
    )


def _finite(digits: str) -> float:
    value = float(digits)
    # An exponent too small turns a number into a plain 0.0, which would look like a dead probe.
    if math.isinf(value) or (value == 0.0 and _OTHER_THAN_ZERO.match(digits)):
        raise PayloadFault(
            FaultKind.OUT_OF_RANGE,
            f"number {printable(digits, 30)} is too large; message refused. Check the sender.",
        )
    return value


def _whole(digits: str) -> int:
    _finite(digits)
    return int(digits)


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise PayloadFault(
            FaultKind.DUPLICATE_KEY, "message holds the same key twice in an object; refused."
        )
    for key in found:
        if not key.isprintable():
            raise PayloadFault(
                FaultKind.CONTROL_CHARACTER,
                f"message holds the key '{printable(key, 40)}' with a control character; refused.",
            )
    return found


def _decoder(constant: Callable[[str], float]) -> json.JSONDecoder:
    return json.JSONDecoder(
        parse_constant=constant,
        parse_float=_finite,
        parse_int=_whole,
        object_pairs_hook=_unique,
    )


# Made once: to make one takes as long as to read a reading's message.
_STRICT, _WITH_GAPS = _decoder(_constant), _decoder(float)
