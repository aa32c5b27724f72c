"""One section's work laid out beside its temperatures, so that each clock is a short step."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import replace

import numpy as np

from rules.climate import assumed_words
from rules.clocks.clock import Clock, ClockState, body_of
from rules.clocks.history import AirBody, TemperatureHistory, TemperatureOutlook
from rules.clocks.work import Coat, Pot, Work
from rules.rate import FloatArray, SafeSide
from rules.spec.model import Spec
from rules.vocabulary import ClockName


class SectionWork:
    """One section's work laid out beside its temperatures, so that each clock is a short step."""

    def __init__(
        self,
        section: str | None,
        work: Work,
        spec_of: Mapping[str, Spec],
        default_spec: Spec,
        history: TemperatureHistory,
        now_s: float,
        outlook: TemperatureOutlook | None,
        ended: dict[Hashable, Clock] | None = None,
        over: Spec | None = None,
    ) -> None:
        """Lay it out.

        Args:
            section: its name, or None.
            work: what was done to it.
            spec_of: specs by name.
            default_spec: of the enclosure.
            history: the section's temperatures.
            now_s: now [s].
            outlook: what the surface will probably do, or None.
            ended: opens clocks that have ended by this history, which no later reading takes back;
                those that end now are added. None to reckon all.
            over: of the next coat, where it is known beside what is mixed; or None.
        """
        self.section = section
        self.ended: dict[Hashable, Clock] = {} if ended is None else ended
        self.work = work
        self.spec_of = spec_of
        self.default_spec = default_spec
        self.over = over
        self.now_s = now_s
        self.history = _until(history, work.back_in_service_s)
        h, acc = self.history, self.history.accuracy_k
        spread = float(h.warmest_c[-1] - h.coldest_c[-1]) if h.time_s.size else 0.0
        note = _assumed_note(h)
        cold = body_of(
            "film",
            SafeSide.OPENS,
            h.time_s,
            h.coldest_c,
            acc,
            h.max_gap_s,
            now_s,
            outlook,
            beside=h,
        )
        self.cold = replace(cold, note=note, silent=h.silent)
        warm = body_of(
            "film",
            SafeSide.CLOSES,
            h.time_s,
            h.warmest_c,
            acc,
            h.max_gap_s,
            now_s,
            outlook,
            spread if np.isfinite(spread) else 0.0,
            h,
        )
        self.warm = replace(warm, note=note, silent=h.silent)

    def spec_named(self, name: str | None) -> Spec | None:
        """The spec of a name, the default for none, None for one that nobody gave."""
        if name is None or name == self.default_spec.name:
            return self.default_spec
        return self.spec_of.get(name)

    def spec_laid(self, coat: Coat) -> Spec | None:
        """The spec of a coat with the times that hold for its method, hardener and service."""
        spec = self.spec_named(coat.spec)
        return spec and spec.under(coat.method, coat.hardener, coat.service)

    def spec_mixed(self, pot: Pot) -> Spec | None:
        """The spec of a pot with the times that hold for it; of the coat it went into, if said."""
        spec = self.spec_named(pot.spec)
        method, hardener = pot.method, pot.hardener
        coat = self.coat_of(pot)
        if coat is not None:
            method, hardener = method or coat.method, hardener or coat.hardener
        return spec and spec.under(method, hardener)

    def coat_of(self, pot: Pot) -> Coat | None:
        """The first coat that was begun from a pot, else once it was mixed, or None."""
        begun = [c for c in self.work.coats if (c.started_s or 0.0) >= pot.mixed_s]
        poured = (c for c in begun if pot.mixed_s in c.poured_s)
        return next(poured, begun[0] if begun else None)


def frame_of(
    bench: SectionWork, name: ClockName, spec: str, coat: Coat | None, *, buried: bool = False
) -> Clock:
    """Return a film's clock that does not run yet, for the rest to be filled in."""
    return Clock(
        name=name,
        section=bench.section,
        batch=None,
        state=ClockState.UNKNOWN,
        spec=spec,
        coat=None if coat is None else coat.number,
        buried=buried,
    )


def _assumed_note(history: TemperatureHistory) -> str:
    """What every clock says that runs on a surface which nobody measures."""
    offset_k = history.assumed_offset_k
    if offset_k is None:
        return ""
    return f"no surface probe: surface assumed {assumed_words(offset_k, 'the air')}"


_IN_SERVICE_C = (-40.0, 60.0)
"""Between these a film may stand in service, of which the enclosure's sensors tell nothing."""


def _until(history: TemperatureHistory, end_s: float | None) -> TemperatureHistory:
    """The history up to a launch: afterwards the enclosure's sensors no longer see the film."""
    if end_s is None or not history.time_s.size:
        return history
    stop = int(np.searchsorted(history.time_s, end_s, "right"))

    def cut(column: FloatArray | None, after: float) -> FloatArray | None:
        return None if column is None else np.append(column[:stop], after)

    low_c, high_c = _IN_SERVICE_C
    return replace(
        history,
        time_s=np.append(history.time_s[:stop], end_s),
        coldest_c=np.append(history.coldest_c[:stop], low_c),
        warmest_c=np.append(history.warmest_c[:stop], high_c),
        air_coldest_c=cut(history.air_coldest_c, low_c),
        air_warmest_c=cut(history.air_warmest_c, high_c),
        rh_low_pct=cut(history.rh_low_pct, np.nan),
        rh_high_pct=cut(history.rh_high_pct, np.nan),
        co2_ppm=cut(history.co2_ppm, np.nan),
        bodies=tuple(
            AirBody(*(np.append(column[:stop], np.nan) for column in body))
            for body in history.bodies
        ),
        left=True,
        said=None if history.said is None else _until(history.said, end_s),
        silent=tuple(each.until(end_s) for each in history.silent),
        air_silent=tuple(each.until(end_s) for each in history.air_silent),
    )
