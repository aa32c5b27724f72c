"""Notices when a call changed, keeps it in the log, and only then lets anyone be told of it."""

from __future__ import annotations

import json
from collections.abc import Callable

from monitor.enclosure import Enclosure
from monitor.log.facts import BEGUN
from monitor.log.facts import KEY as FACTS
from monitor.log.log import Store
from monitor.log.rows import LIVE, CallRow, LogRefused
from monitor.wire import Json, enclosure_dict, section_dict
from rules.air.state import pressure_at_altitude_pa
from rules.call import Call
from rules.section import Section, SectionCall

Tell = Callable[[Enclosure, "list[SectionCall]", Json], None]

BESIDE = "beside"
"""Key of a call in the log: what forbade GO beside readings and events, for who recomputes it."""


class Teller:
    """Follows one enclosure's evaluations.

    Attributes:
        changes: evaluations at which some section's call or stage changed.
        unlogged: changes that the log's disk refused; they are told all the same.
    """

    def __init__(
        self,
        tell: Tell,
        *,
        store: Store | None = None,
        source: int = LIVE,
        every_evaluation: bool = False,
        recorded: bool = False,
        facts: Json | None = None,
        clocks: Callable[[Enclosure], list[Json]] | None = None,
    ) -> None:
        self.changes = 0
        self.unlogged = 0
        self._row: int | None = None
        self._tell = tell
        self._store = store
        self._source = source
        self._every = every_evaluation
        self._recorded = recorded
        self._clocks = clocks
        self._facts = {} if facts is None else {FACTS: facts}
        self._told: dict[str, tuple[str, str, str]] = {}
        self._kept: dict[str, frozenset[tuple[int, frozenset[str]]]] = {}
        self._beside: dict[str, frozenset[str]] = {}
        self._starts: dict[str, Call] = {}
        self._begun = False
        self._turns: list[tuple[Section, int]] = []
        self._fault = ""

    def evaluated(self, enclosure: Enclosure) -> None:
        """Take note of an evaluation; give it to `Enclosure` as its `on_evaluated`."""
        turns = [(section, section.turns) for section in enclosure.sections.values()]
        if turns == self._turns and not self._every:
            return
        self._turns = turns
        changed = [
            name
            for name, section in enclosure.sections.items()
            if self._told.get(name) != (section.memory.call, section.film.stage, section.question)
        ]
        grown = self._grown(enclosure, changed)
        # Without a section that has ended the enclosure's call may be another.
        ended = self._told.keys() - enclosure.sections.keys()
        if not (changed or grown or ended or self._every):
            return
        for name in ended:
            del self._told[name]
            self._kept.pop(name, None)
            self._beside.pop(name, None)
            self._starts.pop(name, None)
        calls = enclosure.explain()
        pressure_pa = pressure_at_altitude_pa(enclosure.config.altitude_m)
        kept = self._keep(enclosure, calls, [*changed, *grown], pressure_pa)
        if not (changed or ended or self._every):
            return
        unlogged = bool(changed) and not kept
        self.changes += bool(changed)
        self.unlogged += unlogged
        for call in calls:
            self._told[call.section] = (call.call, call.stage, call.question)
        told = enclosure_dict(enclosure.name, calls, pressure_pa)
        if self._clocks is not None:
            told["clocks"] = self._clocks(enclosure)
        if unlogged:
            told["unlogged"] = True
        if self._recorded:
            told["recorded"] = True
        self._tell(enclosure, calls, told)

    def take_fault(self) -> str:
        """Return why the log last refused a call, or "" where it took all since the last look."""
        fault, self._fault = self._fault, ""
        return fault

    def _grown(self, enclosure: Enclosure, changed: list[str]) -> list[str]:
        """The sections of which the log needs a row though call and stage are what they were.

        A STOP of either answer comes, goes or has a further cause, which a restart has to know of
        (a recording can be played again); GO is forbidden by something else than before, which
        no reading tells; or a wet film's call hides that the next coat's start is another.
        """
        if self._store is None:
            return []
        found = []
        for name, section in enclosure.sections.items():
            stops = frozenset(
                (question, each.cause)
                for question, each in enumerate(section.answers)
                if each is not None and each.call is Call.STOP
            )
            grown = not self._recorded and stops != self._kept.get(name, frozenset())
            grown |= section.beside != self._beside.get(name, frozenset())
            start = section.answers[0].call
            grown |= start is not self._starts.get(name, start)
            self._kept[name], self._beside[name] = stops, section.beside
            self._starts[name] = start
            if grown and name not in changed:
                found.append(name)
        return found

    def _keep(
        self,
        enclosure: Enclosure,
        calls: list[SectionCall],
        sections: list[str],
        pressure_pa: float,
    ) -> bool:
        """Keep the calls of the named sections, all at once: each waits no longer than one."""
        if self._store is None or not sections:
            return True
        more = {} if self._begun else {BEGUN: True}
        self._begun = True
        rows = [
            CallRow(
                enclosure=enclosure.name,
                section=call.section,
                time_s=call.time_s,
                call=call.call.value,
                stage=call.stage.value,
                question=call.question,
                body=json.dumps(
                    {
                        **section_dict(call, pressure_pa),
                        BESIDE: sorted(enclosure.sections[call.section].beside),
                        **more,
                        **self._facts,
                    }
                ),
                source=self._source,
            )
            for call in calls
            if call.section in sections
        ]
        try:
            kept = self._store.add_calls(rows)
        except LogRefused as fault:
            self._fault = str(fault)
            self._row = None
            return False
        self._row = max((row for row in kept if row is not None), default=None)
        return True

    def newest_row(self, enclosure: str) -> int | None:
        """Return the row of the newest call in the log; None where the last is not in it yet."""
        if self._store is None or self._store.call_waits(enclosure):
            return None
        if self._row is None:
            live = (each for each in self._store.newest_calls(enclosure) if each.source == LIVE)
            self._row = next((each.row for each in live), None)
        return self._row
