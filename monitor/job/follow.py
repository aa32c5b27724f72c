"""What the log says is done already: films that are on, sandings, so that the rest is planned."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from rules.clocks.work import Coat, work_of
from rules.events import Event
from rules.job.model import Job, JobSection
from rules.job.problem import Laid
from rules.spec.model import Spec
from rules.vocabulary import ClockName


@dataclass(frozen=True, slots=True)
class Followed:
    """A job as far as its log has come.

    Attributes:
        job: the same; a sanding that is done is no longer in it.
        laid: the newest film of each section that has one.
        open: sections on which a coat is being laid.
        strayed: what the log has that the job does not, in words.
        taped: sections whose newest film has its tape on still, and since when [s since 1970].
    """

    job: Job
    laid: Mapping[str, Laid]
    open: tuple[str, ...]
    strayed: tuple[str, ...]
    taped: Mapping[str, float]


def followed(
    job: Job, events: Iterable[Event], now_s: float, specs: Mapping[str, Spec]
) -> Followed:
    """Read what is done from the log's events.

    Args:
        job: the whole work.
        events: of the log, corrections among them.
        now_s: events later than that are left out [s since 1970].
        specs: that films lie by, by `Event.spec_key`.
    """
    events = tuple(event for event in events if job.start_s <= event.time_s <= now_s)
    laid: dict[str, Laid] = {}
    taped: dict[str, float] = {}
    sections, open_, strayed = [], [], []
    for section in job.sections:
        own = tuple(event for event in events if event.enclosure == section.enclosure)
        work = work_of(section.name, own, now_s)
        coats = [coat for coat in work.coats if coat.started_s is not None]
        count = min(len(coats), len(section.coats))
        if len(coats) > count:
            strayed.append(f"{section.name} has {len(coats)} coats in the log, {count} in the job")
        sanded_s = max(work.sanded_s, default=None)
        if count:
            last = coats[count - 1]
            spec = _usable(specs, last)
            found = _laid(section, last, count, sanded_s, spec)
            laid[section.name] = found
            strayed += _odd_spec(section, count, last, spec)
            if last.ended_s is None:
                open_.append(section.name)
            elif work.tape_on_s is not None and work.tape_on_s <= last.ended_s:
                taped[section.name] = work.tape_on_s
            section = _sanded(section, count) if found.sanded else section
        elif sanded_s is not None:
            section = _sanded(section, 0)
        sections.append(section)
    return Followed(
        replace(job, sections=tuple(sections)), laid, tuple(open_), tuple(strayed), taped
    )


def _usable(specs: Mapping[str, Spec], coat: Coat) -> Spec | None:
    """The spec that a film lies by, with what holds for it; None where it is not known."""
    spec = specs.get(coat.spec or "")
    if spec is None or {ClockName.TOUCH_DRY, ClockName.CURED} - set(spec.times):
        return None
    return spec.under(coat.method, coat.hardener, coat.service)


def _laid(
    section: JobSection, last: Coat, count: int, sanded_s: float | None, spec: Spec | None
) -> Laid:
    coat = section.coats[count - 1]
    started_s = last.started_s or 0.0
    ended_s = last.ended_s if last.ended_s is not None else started_s + coat.takes_s
    is_sanded = sanded_s is not None and sanded_s > ended_s
    return Laid(replace(coat, spec=spec or coat.spec), started_s, ended_s, is_sanded)


def _odd_spec(section: JobSection, count: int, last: Coat, laid: Spec | None) -> list[str]:
    name = section.coats[count - 1].spec.name
    if last.spec is None or (laid is not None and laid.name == name):
        return []
    if laid is None:
        return [f"coat {count} of {section.name} was laid with a spec that cannot be read, so the "
                f"times of {name} count for it"]  # fmt: skip
    return [
        f"coat {count} of {section.name} was laid with {laid.name}, the job has {name}; its clocks "
        f"go by {laid.name}"
    ]


def _sanded(section: JobSection, count: int) -> JobSection:
    """The section without the sanding before its next coat."""
    if count >= len(section.coats):
        return section
    following = section.coats[count]
    left = tuple(chore for chore in following.before if chore.kind != "sand")
    coats = list(section.coats)
    coats[count] = replace(following, before=left)
    return replace(section, coats=tuple(coats))
