"""Reads a job file with every fault named by its line, as specs and configs are read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

from monitor.specs import find_spec
from rules.batch.amount import Film
from rules.errors import SpecFault
from rules.job.columns import lacks
from rules.job.model import (
    SANDING_S,
    WEEKDAYS,
    Chore,
    CoatToLay,
    Job,
    JobFault,
    JobSection,
    WorkingHours,
    day_spans,
    weekdays_of,
)
from rules.job.tent import KINDS, Tent, warmer_tent
from rules.spec.model import Spec
from rules.text import counted, shown
from rules.toml_table import Fault, Faults, Table, TomlFault, parsed
from rules.vocabulary import ClockName, Method, Step
from sensors.whole_file import Unreadable, whole_text
from sensors.zones import UTC_NAME, UnknownZone, zone_named

_JOB_KEYS = (
    "boat", "must_be_done", "start", "timezone", "hours", "closed", "people", "done_when"
)  # fmt: skip
_SECTION_KEYS = ("name", "enclosure", "area", "beside", "after", "system")
_CHORES = {"wash": "wash", "sand": "sand", "wipe": "wipe", "tack": "wipe", "tape": "tape",
           "mask": "tape"}  # fmt: skip
CHORE_TAKES_S = {"wash": 3600.0, "sand": SANDING_S, "wipe": 900.0, "tape": 1800.0}
_ENTRY_KEYS = ("coat", *_CHORES, "times", "dry", "wet", "takes", "dries", "method", "hardener")
_MOST_PEOPLE, _MOST_COATS = 50, 20
_EVENING = '"17:00-21:00"'
_DAY = '"2026-11-20"'


def read_job(text: str, name: str, beside: Path, start: date | None = None) -> Job:
    """Read a job.

    Args:
        text: of the file.
        name: what to call it in messages.
        beside: the folder that spec files count from.
        start: first day, in place of the file's own.

    Raises:
        JobFault: anything is wrong with it; the text names every fault with its line.
    """
    try:
        values, faults = parsed(text)
    except TomlFault as refused:
        raise _refused(name, [refused.fault]) from None
    job = _JobReader(values, faults, beside).job(start)
    found = faults.in_order()
    if found or job is None:
        raise _refused(name, found)
    return job


def read_job_file(path: Path, start: date | None = None) -> Job:
    """Read a job file; see `read_job`."""
    try:
        text = whole_text(path)
    except Unreadable as why:
        raise JobFault(
            f"job {shown(str(path))} cannot be read ({why}), so nothing is planned; give the file "
            "with --job, or write one with 'filmcall plan new'"
        ) from None
    return read_job(text, path.name, path.parent, start)


def _refused(name: str, faults: Sequence[Fault]) -> JobFault:
    if len(faults) == 1:
        return JobFault(f"job {shown(name)} is not used: {faults[0]}")
    listed = "\n".join(f"  {fault}" for fault in faults)
    return JobFault(
        f"job {shown(name)} has {counted(len(faults), 'fault')} and is not used:\n{listed}"
    )


class _JobReader:
    """One job file under way."""

    def __init__(self, values: dict[str, object], faults: Faults, beside: Path) -> None:
        self._top = Table(values, (), faults, ("job", "enclosure", "section"))
        self._faults, self._beside = faults, beside
        self._specs: dict[str, Spec | None] = {}
        # Coats of one kind share their spec: the plan's arrays are kept by it.
        self._kinds: dict[tuple[int, Method | None, str | None], CoatToLay] = {}

    def job(self, given_start: date | None) -> Job | None:
        own = self._top.table("job", _JOB_KEYS)
        start = given_start or self._day(own, "start", required=True)
        done_by = self._day(own, "must_be_done", required=True)
        if start is not None and done_by is not None and done_by < start:
            own.fault(
                "must_be_done",
                f"{done_by} comes before the start, {start}",
                "give a day after it, or start earlier",
            )
        done_when = own.one_of("done_when", tuple(Step), required=False) or Step.CURED
        hours = self._hours(own)
        people = self._whole(own, "people", 1, _MOST_PEOPLE, 1)
        tents = self._enclosures()
        sections = self._sections(tents)
        self._check_tents(tents, sections)
        if start is None or done_by is None or hours is None or people is None or not sections:
            return None
        return Job(
            boat=own.words("boat") or "the boat",
            start=start,
            must_be_done=done_by,
            done_when=Step(done_when),
            hours=hours,
            people=people,
            sections=sections,
            tents=tents,
        )

    def _day(self, table: Table, key: str, *, required: bool) -> date | None:
        if key not in table.values:
            if required:
                table.missing(key, _DAY)
            return None
        return _read_day(table, key, table.values[key])

    def _whole(self, table: Table, key: str, low: int, high: int, default: int) -> int | None:
        value = table.values.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            table.fault(
                key,
                f"{shown(value)} is no whole number from {low} to {high}",
                f"write for instance {key} = 2",
            )
            return None
        return value

    def _hours(self, own: Table) -> WorkingHours | None:
        zone = None
        name = own.words("timezone") or UTC_NAME
        try:
            zone = zone_named(name)
        except UnknownZone:
            own.fault("timezone", f"{shown(name)} is not known", 'write for instance "Etc/UTC"')
        closed = self._closed(own)
        days: list[tuple[tuple[int, int], ...]] = [()] * len(WEEKDAYS)
        written = own.values.get("hours")
        if written is None:
            own.missing("hours", _EVENING)
        elif isinstance(written, dict):
            self._by_weekday(own.table("hours", None), days)
        else:
            spans = self._spans(own, "hours", written)
            days = [spans] * len(WEEKDAYS)
        if zone is None:
            return None
        return WorkingHours(zone, tuple(days), frozenset(closed))

    def _by_weekday(self, table: Table, days: list[tuple[tuple[int, int], ...]]) -> None:
        for key, text in table.values.items():
            which = weekdays_of(key)
            if not which:
                table.fault(key, "is no day or run of days", "write mon, mon-fri or sat-sun")
            spans = self._spans(table, key, text)
            for day in which:
                if days[day]:
                    table.fault(key, f"names {WEEKDAYS[day]} a second time", "give each day once")
                days[day] = spans

    def _spans(self, table: Table, key: str, written: object) -> tuple[tuple[int, int], ...]:
        if not isinstance(written, str):
            table.fault(key, f"{shown(written)} is no span of hours", f"write {_EVENING}")
            return ()
        try:
            return day_spans(written)
        except JobFault as fault:
            table.fault(key, str(fault), 'write for instance "08:00-12:00, 13:00-18:00"')
            return ()

    def _closed(self, own: Table) -> list[date]:
        written = own.values.get("closed", [])
        if not isinstance(written, list):
            own.fault("closed", f"{shown(written)} is no list of days", f"write [{_DAY}]")
            return []
        days = [_read_day(own, "closed", each) for each in written]
        return [day for day in days if day is not None]

    def _enclosures(self) -> dict[str, Tent]:
        found = {}
        for name in self._top.table("enclosure", None).values:
            own = self._top.table("enclosure", None).table(name, ("kind", "warmer"))
            kind = own.one_of("kind", tuple(KINDS), required=False)
            warmer_k = own.figure("warmer", "K", -5.0, 30.0, difference=True)
            found[name] = KINDS[kind or "open"] if warmer_k is None else warmer_tent(warmer_k)
            if kind is not None and warmer_k is not None:
                own.fault("warmer", "stands beside kind", "give the tent's kind, or its warmth")
        return found

    def _check_tents(self, tents: Mapping[str, Tent], sections: Sequence[JobSection]) -> None:
        """Refuse a tent of no section where a section stands in one that has no table: a typo."""
        named = dict.fromkeys(section.enclosure for section in sections)
        bare = [name for name in named if name not in tents]
        for name in tents:
            if name not in named and bare:
                self._top.table("enclosure", None).fault(
                    name,
                    f"is the enclosure of no section, and {shown(bare[0])} would be taken for the "
                    "open air",
                    f"write [enclosure.{bare[0]}], or take the table out",
                )

    def _sections(self, enclosures: dict[str, Tent]) -> tuple[JobSection, ...]:
        tables = self._top.tables("section", _SECTION_KEYS)
        if not tables:
            self._top.missing("section", '[[section]] with name = "hull-port"')
        found = [self._section(table, enclosures) for table in tables]
        names = [section.name for section in found]
        for table, section in zip(tables, found, strict=True):
            if section.name and names.index(section.name) != tables.index(table):
                table.fault(
                    "name", f"{shown(section.name)} is there twice", "give each its own name"
                )
            for key, others in (("beside", section.beside), ("after", section.after)):
                for other in sorted(others):
                    if other == section.name:
                        table.fault(
                            key, f"{shown(other)} is named {key} itself", "leave itself out"
                        )
                    elif other not in names:
                        table.fault(
                            key,
                            f"{shown(other)} is no section of this job",
                            f"write one of {', '.join(names)}",
                        )
        self._check_ring(tables, found)
        both = {s.name: s.beside | {o.name for o in found if s.name in o.beside} for s in found}
        return tuple(replace(section, beside=frozenset(both[section.name])) for section in found)

    def _check_ring(self, tables: Sequence[Table], sections: Sequence[JobSection]) -> None:
        left = {section.name: set(section.after) for section in sections}
        while True:
            free = [name for name, after in left.items() if not after & set(left)]
            if not free:
                break
            for name in free:
                del left[name]
        if len(left) > 1:
            at = next(n for n, section in enumerate(sections) if section.name in left)
            tables[at].fault(
                "after",
                f"the sections {', '.join(left)} wait for each other",
                "take one of them out of after",
            )

    def _section(self, table: Table, enclosures: dict[str, Tent]) -> JobSection:
        name = table.words("name", example="hull-port")
        only = next(iter(enclosures)) if len(enclosures) == 1 else ""
        enclosure = table.words("enclosure", example=None if only else "polytunnel") or only
        area = table.figure("area", "m**2", 0.01, 10_000.0, example="6.5 m2")
        coats = self._system(table, name)
        return JobSection(
            name=name,
            enclosure=enclosure,
            area_m2=area or 1.0,
            coats=tuple(coats),
            beside=frozenset(self._names(table, "beside")),
            after=frozenset(self._names(table, "after")),
        )

    def _names(self, table: Table, key: str) -> list[str]:
        written = table.values.get(key, [])
        if not isinstance(written, list) or not all(isinstance(each, str) for each in written):
            table.fault(key, f"{shown(written)} is no list of sections", 'write ["hull-port"]')
            return []
        return [str(each) for each in written]

    def _system(self, section: Table, name: str) -> list[CoatToLay]:
        coats: list[CoatToLay] = []
        chores: list[Chore] = []
        entries = section.tables("system", _ENTRY_KEYS)
        if not entries and "system" not in section.values:
            section.missing("system", '[{ coat = "polyurethane-topcoat" }]')
        elif section.values.get("system") == []:
            section.fault(
                "system", f"gives {shown(name)} no coat", "give it one, or leave the section out"
            )
        for entry in entries:
            what = [key for key in ("coat", *_CHORES) if key in entry.values]
            if len(what) != 1:
                entry.fault(
                    None,
                    f"names {'no' if not what else 'more than one'} thing to do",
                    f"write one of coat, {', '.join(_CHORES)} in each entry",
                )
            elif what[0] == "coat":
                laid = self._coats(entry, name, coats, tuple(chores))
                coats += laid
                chores = []
            else:
                chores.append(_chore(entry, what[0]))
        if chores and entries:
            section.fault(
                "system",
                f"of {shown(name)} ends with no coat",
                "end it with a coat",
            )
        return coats

    def _coats(
        self, entry: Table, section: str, before: Sequence[CoatToLay], chores: tuple[Chore, ...]
    ) -> list[CoatToLay]:
        kind = self._kind(entry)
        spec = None if kind is None else kind.spec
        times = self._whole(entry, "times", 1, _MOST_COATS, 1)
        usual_s = None if spec is None else spec.coating_time_s
        takes_s = entry.duration("takes", 60.0, default=usual_s)
        film = self._film(entry)
        if kind is None or times is None or takes_s is None:
            return []
        # Tape comes off each film in its time, so that each coat is taped anew; common practice,
        # no source.
        anew = tuple(chore for chore in chores if chore.kind == "tape")
        found = [
            replace(
                kind,
                number=len(before) + n + 1,
                takes_s=takes_s,
                film=film,
                before=anew if n else chores,
            )
            for n in range(times)
        ]
        for under, over in zip([*before[-1:], *found], found, strict=False):
            if under is not over and not _takes_a_coat(under.spec, over.spec):
                entry.fault(
                    "coat",
                    f"section {shown(section)} puts {over.spec.name} over {under.spec.name}, whose "
                    "sheet gives no recoat times, so no window is known",
                    "add recoat_opens to that spec's [times], or change the system",
                )
                break
        return found

    def _film(self, entry: Table) -> Film | None:
        if "dry" in entry.values and "wet" in entry.values:
            entry.fault("wet", "stands beside dry", "give the film's thickness once")
        for key in ("dry", "wet"):
            if key in entry.values:
                figure = entry.figure(key, "um", 5.0, 2000.0)
                return None if figure is None else Film(figure, wet=key == "wet")
        return None

    def _kind(self, entry: Table) -> CoatToLay | None:
        """A coat by what is put on, how and with which hardener; its place is filled in after."""
        sheet = self._spec(entry)
        told = entry.one_of("method", tuple(Method), required=False)
        method = None if told is None else Method(told)
        hardener = entry.words("hardener") or None
        if sheet is None:
            return None
        if missing := lacks(sheet, hardener):
            entry.fault("hardener", missing, 'write one that it has, or "standard"')
            return None
        key = (id(sheet), method, hardener)
        if key not in self._kinds:
            coat = CoatToLay(0, sheet, 0.0, None, None, sheet=sheet).by(method, hardener)
            lacking = [
                clock for clock in (ClockName.TOUCH_DRY, ClockName.CURED)
                if clock not in coat.spec.times
            ]  # fmt: skip
            if lacking:
                entry.fault(
                    "coat",
                    f"spec {shown(sheet.name)} gives no time for {' and '.join(lacking)}",
                    "take a coating's own spec",
                )
                return None
            self._kinds[key] = coat
        return self._kinds[key]

    def _spec(self, entry: Table) -> Spec | None:
        name = entry.words("coat", example="polyurethane-topcoat")
        if not name:
            return None
        if name not in self._specs:
            self._specs[name] = None
            try:
                spec = find_spec(name, self._beside)[0]
            except SpecFault as fault:
                entry.fault("coat", " ".join(str(fault).split()).rstrip("."), "correct it")
                return None
            self._specs[name] = spec
        return self._specs[name]


def _takes_a_coat(under: Spec, over: Spec) -> bool:
    for key in (over.name, over.family):
        if ClockName.RECOAT_OPENS in under.recoat_by_next.get(key, {}):
            return True
    return ClockName.RECOAT_OPENS in under.times


def _chore(entry: Table, key: str) -> Chore:
    kind = _CHORES[key]
    takes_s = entry.duration("takes", 60.0, default=CHORE_TAKES_S[kind])
    dries_s = entry.duration("dries", default=0.0)
    return Chore(kind, entry.words(key, example="320"), takes_s or 900.0, dries_s or 0.0)


def _read_day(table: Table, key: str, written: object) -> date | None:
    if isinstance(written, date) and not isinstance(written, datetime):
        return written
    try:
        return date.fromisoformat(str(written))
    except ValueError:
        table.fault(key, f"{shown(written)} is no day", f"write it as {_DAY}")
        return None
