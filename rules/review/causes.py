"""Which causes of a defect the log supports, rules out, or leaves open.

Takes what `evidence` shows of each; `monitor.review` puts it in words. A cause is accused only
where the lowest dose that the log allows is more than harmless, and acquitted only where the
highest is harmless.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from rules.review.coats import CoatRecord
from rules.review.defects import Cause, Defect, Sign, fits_family
from rules.review.evidence import Evidence, NotLooked, look
from rules.review.exposure import ClimateSeries
from rules.review.likelihood import RatioRow, ratio_rows
from rules.review.seen import Sighting


class Finding(StrEnum):
    """What the log says of a defect's causes."""

    SUPPORTED = "supported"  # of at least one cause even the lowest dose is more than harmless
    AGAINST = "against"  # of every cause that the log can see even the highest dose is harmless
    NOT_KNOWN = "not known"  # open: minutes that were not known, or too close to tell, decide it
    NOT_SHOWN = "not shown"  # a log of the air cannot show this defect's causes
    ELSEWHERE = "seen elsewhere"  # it was seen on another section
    NO_SUCH_FILM = "no such film"  # no coat of a family that has this defect
    NO_COAT = "no coat"  # none is recorded at all


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the log says of one defect.

    Attributes:
        defect: which.
        answer: in one word.
        ranked: what supports a cause, strongest first.
        cleared: causes that were looked at and do not count; those among them that are open say so.
        not_looked: causes that this log cannot tell of, and why.
        vetoed: what would support a cause if it had not come after the sighting, or on another coat
            or section, and why it cannot.
        unless: why an acquittal would stand on a guess, or "".
    """

    defect: Defect
    answer: Finding
    ranked: tuple[Evidence, ...]
    cleared: tuple[Evidence, ...]
    not_looked: tuple[tuple[Cause, str], ...]
    vetoed: tuple[tuple[Evidence, str], ...] = ()
    unless: str = ""

    @property
    def still_open(self) -> tuple[Evidence, ...]:
        """What can be neither accused nor acquitted, by the highest dose."""
        found = [evidence for evidence in self.cleared if evidence.is_open]
        return tuple(sorted(found, key=lambda e: -e.highest / e.cause.harm))


NOWHERE = Sighting()
_DAY_NOT_SAID = "the day of the sighting was not said; say it with its date"


def verdict_of(
    defect: Defect,
    coats: Sequence[CoatRecord],
    series: ClimateSeries,
    washed_s: Iterable[float] = (),
    sighting: Sighting = NOWHERE,
) -> Verdict:
    """Weigh the causes of a defect that a section's log supports.

    A condition counts by its dose: how far and how long beyond the bound while that coat was open
    to it, by the age of the film. The bound and the step that ends it are the coat's own spec's
    where it has them. What came after the sighting, or on another coat, is vetoed.

    Args:
        defect: what was seen.
        coats: of the section.
        series: its climate.
        washed_s: when the section was washed [s].
        sighting: when, where and on which coat it was seen.

    Returns:
        The answer with its evidence.

    Source:
        No source: this program's own rule; its form is that of ENFSI's guideline for evaluative
        reporting (2015). The chemistry behind each cause names its source in the defect's entry.
    """
    washed = tuple(washed_s)
    fitting = [coat for coat in coats if defect.fits(coat.spec.chemistry)]
    if not defect.causes:
        return Verdict(defect, Finding.NOT_SHOWN, (), (), ())
    if not coats:
        return Verdict(defect, Finding.NO_COAT, (), (), ())
    if not fitting:
        return Verdict(defect, Finding.NO_SUCH_FILM, (), (), ())
    looked = _LookedAt(series, washed, sighting)
    for cause in defect.causes:
        looked.take(cause, coats, fitting)
    for behind in (_behind_heat, _behind_dew, _behind_wet_ground):
        looked.found = [behind(e, looked.found) for e in looked.found]
    found = looked.found
    found = [replace(e, rows=_rows(e, defect, sighting)) for e in found]
    supporting = [e for e in found if e.supports]
    ranked = sorted(supporting, key=lambda e: -_order(e, defect, sighting))
    cleared = tuple(e for e in found if not e.supports)
    unless = _DAY_NOT_SAID if looked.by_time and not sighting.day_said else ""
    answer = _answer(ranked, found, looked.left_open or bool(unless))
    if sighting.elsewhere:
        answer, unless = Finding.ELSEWHERE, ""
    return Verdict(
        defect, answer, tuple(ranked), cleared, tuple(looked.not_looked), tuple(looked.vetoed),
        unless,
    )  # fmt: skip


def verdicts_of(
    defects: Iterable[Defect],
    coats: Sequence[CoatRecord],
    series: ClimateSeries,
    washed_s: Iterable[float] = (),
) -> tuple[Verdict, ...]:
    """Return the verdict on each defect, those with the heaviest clear evidence first."""
    washed = tuple(washed_s)
    found = [verdict_of(defect, coats, series, washed) for defect in defects]
    return tuple(sorted(found, key=lambda v: -max((e.weight for e in v.ranked), default=0.0)))


class _LookedAt:
    """Collects what every cause shows over every coat."""

    def __init__(
        self, series: ClimateSeries, washed: tuple[float, ...], sighting: Sighting
    ) -> None:
        self.series, self.washed, self.sighting = series, washed, sighting
        self.found: list[Evidence] = []
        self.not_looked: list[tuple[Cause, str]] = []
        self.vetoed: list[tuple[Evidence, str]] = []
        self.left_open = False
        self.by_time = False

    def take(
        self, cause: Cause, coats: Sequence[CoatRecord], fitting: Sequence[CoatRecord]
    ) -> None:
        """Look at one cause over all the coats that can have it."""
        why = ""
        before = len(self.found) + len(self.vetoed)
        for at, coat in enumerate(coats):
            if coat not in fitting or not fits_family(cause.families, coat.spec.chemistry):
                continue
            below = coats[at - 1] if at else None
            evidence = look(cause, coat, below, self.series, self.washed, self.sighting.at_s)
            if isinstance(evidence, NotLooked):
                why = evidence.why
                self.left_open |= evidence.leaves_open
                continue
            veto = self._veto(cause, coat, below, evidence)
            if not veto:
                self.found.append(evidence)
        if len(self.found) + len(self.vetoed) == before and why:
            self.not_looked.append((cause, why))

    def _veto(
        self, cause: Cause, coat: CoatRecord, below: CoatRecord | None, evidence: Evidence
    ) -> bool:
        """Keep what cannot explain the sighting; whether it leaves nothing else to say."""
        sighting = self.sighting
        if sighting.elsewhere:
            if evidence.supports:
                self.vetoed.append((evidence, f"it was seen on {sighting.elsewhere}, not here"))
            return True
        if sighting.coats and not _coats_touched(cause, coat) & set(sighting.coats):
            if evidence.supports:
                where = " and ".join(str(number) for number in sighting.coats)
                self.vetoed.append(
                    (evidence, f"it reached coat {coat.number}, and coat {where} was looked at")
                )
            return True
        if sighting.at_s is not None and not evidence.supports:
            later = look(cause, coat, below, self.series, self.washed, None)
            if isinstance(later, Evidence):
                self.by_time |= later.supports or later.is_open
                if later.supports:
                    self.vetoed.append((later, "it came after the defect was seen"))
        return False


def _coats_touched(cause: Cause, coat: CoatRecord) -> set[int]:
    """Numbers of the coats on which a cause over one can be seen."""
    if cause.sign in (Sign.RECOAT_EARLY, Sign.RECOAT_LATE):
        return {coat.number, coat.number + 1}
    return {coat.number}


def _rows(evidence: Evidence, defect: Defect, sighting: Sighting) -> tuple[RatioRow, ...]:
    return ratio_rows(
        evidence.strength,
        features=sighting.features,
        of_cause=evidence.cause.likelihood,
        of_defect=defect.likelihood,
    )


def _order(evidence: Evidence, defect: Defect, sighting: Sighting) -> float:
    """What ranks a cause: its dose, times what was seen of it."""
    seen = [row.ratio for row in _rows(evidence, defect, sighting) if row.what.startswith("seen")]
    return evidence.strength * math.prod(seen)


def _behind(evidence: Evidence, nearer: Sequence[Evidence]) -> Evidence:
    """The evidence with no more strength than what lies behind it has."""
    if not nearer:
        return evidence
    # A hair less, so that of equals the nearer one stands first.
    return replace(evidence, behind=min(each.strength for each in nearer) * (1.0 - 1e-9))


def _behind_heat(evidence: Evidence, found: Sequence[Evidence]) -> Evidence:
    """A pot that only the heat made old goes behind that heat, and a hot hull behind its rise."""
    over_one = [e for e in found if e.coat == evidence.coat and e.supports]
    if evidence.window is not None and evidence.window.kept_at_20_c:
        hot = (Sign.HIGH_AIR, Sign.HIGH_SURFACE)
        return _behind(evidence, [e for e in over_one if e.cause.sign in hot])
    if evidence.cause.sign is Sign.HIGH_SURFACE:
        return _behind(evidence, [e for e in over_one if e.cause.sign is Sign.SURFACE_RISE])
    return evidence


def _behind_dew(evidence: Evidence, found: Sequence[Evidence]) -> Evidence:
    """Damp air goes behind the dew that came out of it: the same water does not accuse twice."""
    if evidence.cause.sign is not Sign.HIGH_HUMIDITY:
        return evidence
    dew = [
        e
        for e in found
        if e.cause.sign is Sign.LOW_MARGIN and e.coat == evidence.coat and e.supports
    ]
    if any(evidence.own_weight > e.weight for e in dew):
        return evidence
    return _behind(evidence, dew)


def _behind_wet_ground(evidence: Evidence, found: Sequence[Evidence]) -> Evidence:
    """Water while soft goes behind its layer, and behind water that lay there till the coat."""
    if evidence.cause.sign is not Sign.UNWASHED:
        return evidence
    nearer = (Sign.WET_BEFORE, Sign.BLOOM_BELOW)
    over_one = [e for e in found if e.coat == evidence.coat and e.supports]
    return _behind(evidence, [e for e in over_one if e.cause.sign in nearer])


def _answer(ranked: Sequence[Evidence], found: Sequence[Evidence], left_open: bool) -> Finding:
    if ranked:
        return Finding.SUPPORTED
    if left_open or not found or any(e.is_open for e in found):
        return Finding.NOT_KNOWN
    return Finding.AGAINST
