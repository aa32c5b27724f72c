"""What the log must know of an enclosure to be read without its config: spec, points, sections.

Each call row carries it as `facts`, so that clocks, events and review need no config beside them.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

from monitor import __version__
from monitor.display import Units, prefer
from monitor.log.log import Store
from monitor.log.rows import CallRow, LogChannel
from monitor.specs import find_spec
from rules.errors import SpecFault
from rules.events import Event
from rules.spec.model import GENERAL_GUIDANCE, Spec
from rules.vocabulary import EventKind, WorkedOutFrom
from sensors.reading import Quantity

if TYPE_CHECKING:
    # Each loads for longer than it takes to find that a log has no facts of an enclosure.
    from monitor.config.model import EnclosureConfig, PointConfig
    from monitor.wire import Json  # which brings all that a call is made of

BEGUN = "begun"
"""Key of the calls that a program told first after its start."""

KEY = "facts"


def facts_of(config: EnclosureConfig, spec: Spec, spec_sha256: str | None) -> Json:
    """Return an enclosure's facts for the log.

    Args:
        config: of the enclosure.
        spec: of its next coat.
        spec_sha256: of the spec's text as the log keeps it, or None where it has none.
    """
    return {
        "made_by": __version__,
        "spec": spec.name,
        "spec_sha256": spec_sha256,
        "altitude_m": config.altitude_m,
        "timezone": config.timezone,
        **({} if config.units is None else {"units": config.units.value}),
        "assumed_surface_offset_k": config.assumed_surface_offset_k,
        "assumed_surface_accuracy_k": config.assumed_surface_accuracy_k,
        "points": [
            {
                "point": point.name,
                "quantity": point.quantity.value,
                "unit": point.unit,
                "section": point.section,
                "accuracy": point.accuracy,
                "required": point.required,
                **_unusual(point),
            }
            for point in config.points
        ],
    }


_USUAL = {"inside": True, "shared_element": False, "confirmed": True}


def _unusual(point: PointConfig) -> Json:
    """What a point has that is not as for most, and by what it is told from others."""
    from sensors.faults import DEFAULT_RULES

    found: Json = {key: getattr(point, key) for key in _USUAL}
    found = {key: value for key, value in found.items() if value != _USUAL[key]}
    found |= point.heard
    if point.worked_out_from is not None:
        found["worked_out_from"] = point.worked_out_from.value
        found["told_accuracy_k"] = point.told_accuracy_k
    if point.rules != DEFAULT_RULES[point.quantity]:
        found["rules"] = asdict(point.rules)
    return found


def keep_facts(store: Store, config: EnclosureConfig, spec: Spec, spec_text: str) -> Json:
    """Keep a spec's text in the log and return the enclosure's facts."""
    sha256 = store.keep_spec(spec_text) if spec_text else None
    return facts_of(config, spec, sha256)


def facts_in(store: Store, enclosure: str) -> Json | None:
    """Return an enclosure's facts as its last call has them, or None where no call has any.

    A call that was made live goes before one of a recording.
    """
    for last in store.newest_calls(enclosure):
        found = json.loads(last.body).get(KEY)
        if isinstance(found, dict):
            return found
    return None


def config_in(store: Store, enclosure: str) -> EnclosureConfig | None:
    """Return as much of an enclosure's config as its facts tell, or None."""
    facts = facts_in(store, enclosure)
    if facts is None:
        return None
    config = config_of(enclosure, facts)
    prefer(config.units)
    return config


def config_of(enclosure: str, facts: Json) -> EnclosureConfig:
    """Return as much of an enclosure's config as facts tell."""
    from monitor.config.model import EnclosureConfig, PointConfig
    from sensors.faults import DEFAULT_RULES, FaultRules

    points = tuple(
        PointConfig(
            name=str(each["point"]),
            quantity=Quantity(each["quantity"]),
            unit=str(each["unit"]),
            accuracy=float(each["accuracy"]),
            rules=FaultRules(**each["rules"])
            if "rules" in each
            else DEFAULT_RULES[Quantity(each["quantity"])],
            section=each["section"],
            required=bool(each["required"]),
            inside=bool(each.get("inside", True)),
            shared_element=bool(each.get("shared_element", False)),
            confirmed=bool(each.get("confirmed", True)),
            worked_out_from=WorkedOutFrom(each["worked_out_from"])
            if "worked_out_from" in each
            else None,
            told_accuracy_k=each.get("told_accuracy_k"),
        )
        for each in facts["points"]
    )
    known = EnclosureConfig(
        name=enclosure,
        points=points,
        spec=str(facts["spec"]),
        timezone=str(facts["timezone"]),
        altitude_m=float(facts["altitude_m"]),
        units=Units(facts["units"]) if "units" in facts else None,
    )
    offset_k = facts.get("assumed_surface_offset_k")
    if offset_k is None:  # there are probes, or an older program wrote it
        return known
    return replace(
        known,
        assumed_surface_offset_k=float(offset_k),
        assumed_surface_accuracy_k=float(facts["assumed_surface_accuracy_k"]),
    )


def begun_s(store: Store, enclosure: str, from_s: float) -> float | None:
    """Return when the program began that made an enclosure's newest calls [s].

    Args:
        store: the log.
        enclosure: its name.
        from_s: from when on to look; None is returned where it began before that [s].
    """
    calls = store.calls(enclosure, from_s)
    return max((call.time_s for call in calls if f'"{BEGUN}"' in call.body), default=None)


def with_former_points(
    store: Store,
    config: EnclosureConfig,
    *,
    now_s: float | None = None,
    from_s: float = -math.inf,
    source: int | None = None,
) -> EnclosureConfig:
    """Return a config with the points too that it no longer names, as far as a log knows them.

    What a probe measured on a film stays the film's, whatever the config calls the probe later.

    Args:
        store: the log.
        config: as it is now.
        now_s: as the log stood then, or None for all of it [s].
        from_s: only those that were heard since [s].
        source: of the readings, or None for every one.
    """
    named = {(each.name, each.quantity) for each in config.points}
    former: dict[tuple[str, Quantity], PointConfig] = {}
    for each in store.channels(source=source):
        whose = each.enclosure, each.point, each.quantity
        if each.enclosure != config.name or whose[1:] in named:
            continue
        last_s = store.last_reading_s(*whose, now_s, source=each.source)
        if last_s is not None and last_s >= from_s:
            point = _stood(store, config.name, each, last_s)
            if point is not None:
                left_s = _left_s(store, config.name, each, last_s, now_s)
                former[whose[1:]] = replace(point, left_s=left_s)
    moved = _moved(store, config, now_s, from_s, source)
    points = (*config.points, *former.values(), *moved)
    return replace(config, points=points) if former or moved else config


def _moved(
    store: Store,
    config: EnclosureConfig,
    now_s: float | None,
    from_s: float,
    source: int | None,
) -> list[PointConfig]:
    """Points on a surface as they stood for another section, until the start that moved them.

    What they measured then stays with that section's film; it counts for the present one too,
    which is the safe side.
    """
    surfaces = {each.name: each for each in config.points if each.quantity == _SURFACE}
    found: dict[tuple[str, str | None], PointConfig] = {}
    for call in store.calls(config.name, None, now_s, source=source):
        if f'"{BEGUN}"' not in call.body:  # a config changes with a start alone
            continue
        facts = json.loads(call.body).get(KEY)
        if not isinstance(facts, dict):
            continue
        then = config_of(config.name, facts).points
        stood = {each.name: each.section for each in then if each.quantity == _SURFACE}
        for (name, section), each in found.items():
            if math.isinf(each.left_s) and stood.get(name, section) != section:
                found[name, section] = replace(each, left_s=call.time_s)
        for name, section in stood.items():
            if name in surfaces and section != surfaces[name].section:
                found[name, section] = replace(surfaces[name], section=section, left_s=math.inf)
    until_s = math.inf if now_s is None else now_s
    found = {key: replace(each, left_s=min(each.left_s, until_s)) for key, each in found.items()}
    return [each for each in found.values() if each.left_s >= from_s]


_SURFACE = Quantity.SURFACE_TEMP


def _stood(store: Store, enclosure: str, channel: LogChannel, time_s: float) -> PointConfig | None:
    """A channel as it stood in the config at a time, by the calls of then; None if none tells."""
    for _ in range(_LOOKS_BACK):
        calls = store.calls_standing(enclosure, time_s, source=channel.source)
        for call in calls:
            point = _named_in(call, enclosure, channel)
            if point is not None:
                return point
        # The program may have begun anew, without it, in the same second.
        time_s = max((each.time_s for each in calls), default=time_s) - 1e-6
    return None


_LOOKS_BACK = 8


def _left_s(
    store: Store, enclosure: str, channel: LogChannel, last_s: float, now_s: float | None
) -> float:
    """When a config first did without a channel that was last heard at a time [s]."""
    for call in store.calls(enclosure, last_s, now_s, source=channel.source):
        if call.time_s > last_s and _named_in(call, enclosure, channel) is None:
            return call.time_s
    return math.inf if now_s is None else now_s


def _named_in(call: CallRow, enclosure: str, channel: LogChannel) -> PointConfig | None:
    """A channel as the facts of a call have it, or None."""
    facts = json.loads(call.body).get(KEY)
    if not isinstance(facts, dict):
        return None
    points = config_of(enclosure, facts).points
    whose = channel.point, channel.quantity
    return next((each for each in points if (each.name, each.quantity) == whose), None)


def spec_in(store: Store, enclosure: str, beside: Path | None) -> Spec:
    """Return the enclosure's default spec: as its text stood in the log, else by its name."""
    facts = facts_in(store, enclosure)
    if facts is None:
        return GENERAL_GUIDANCE
    name, sha256 = str(facts["spec"]), facts.get("spec_sha256")
    text = store.spec_text(sha256) if isinstance(sha256, str) else None
    try:
        if text is not None:
            from rules.spec.read import load_spec

            return load_spec(text, name)
        return find_spec(name, beside)[0]
    except SpecFault:
        return GENERAL_GUIDANCE


_LAID_BY = (EventKind.MIXED, EventKind.COAT_STARTED, EventKind.COAT_ENDED, EventKind.RESPEC)


TextOf = Callable[[str], str | None]
"""Gives a spec's text as it stood, by its SHA-256, or None."""


def with_spec_text(
    store: Store, event: Event, beside: Path | None = None, own_sha256: str | None = None
) -> Event:
    """Return an event with the text of its spec kept in the log, for a film that will lie by it.

    Args:
        store: the log.
        event: about to be kept.
        beside: the folder that a spec file counts from.
        own_sha256: of the enclosure's own spec, where the caller knows it better than the log.

    Returns:
        The event; a pot, coat or change of spec names the text that it goes by: that of the spec
        it names, else the enclosure's own as it stands now.

    Raises:
        SpecFault: it names a spec that cannot be found or used.
        LogRefused: the disk refuses.
    """
    if event.kind not in _LAID_BY or event.withdrawn or event.spec_sha256 is not None:
        return event
    if event.spec is None:
        if own_sha256 is None:
            own_sha256 = (facts_in(store, event.enclosure) or {}).get("spec_sha256")
        return replace(event, spec_sha256=own_sha256)
    if event.spec == GENERAL_GUIDANCE.name:
        return event
    _, text = find_spec(event.spec, beside)  # refuses what no film could be judged by
    return replace(event, spec_sha256=store.keep_spec(text))


def specs_of(
    text_of: TextOf | None, events: Iterable[Event], beside: Path | None
) -> tuple[dict[str, Spec], list[str]]:
    """Return the specs that films lie by, by `Event.spec_key`, and which could not be had.

    Args:
        text_of: gives a text that the log keeps by its hash, or None for events without a log.
        events: of the enclosure.
        beside: the folder that spec files count from.
    """
    found: dict[str, Spec] = {}
    lost: list[str] = []
    named = {(e.spec_key, e.spec or "") for e in events if e.spec_key is not None}
    if not named:
        return found, lost
    from rules.spec.read import load_spec

    for key, name in sorted(named):
        if key in found:
            continue
        try:
            text = None if text_of is None else text_of(key)
            found[key] = (
                find_spec(key, beside)[0] if text is None else load_spec(text, name or key[:12])
            )
        except SpecFault:
            lost.append(name or key[:12])
    return found, lost
