"""One section's work beside its temperatures: what the film, pot and wipe clocks have in common."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from rules.climate import assumed_words
from rules.clocks.clock import Clock, ClockState, body_of
from rules.clocks.history import TemperatureHistory, TemperatureOutlook
from rules.clocks.work import Coat, Work
from rules.rate import Lean
from rules.spec.model import Spec
from rules.vocabulary import ClockName


class Bench:
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
    ) -> None:
        self.section = section
        self.work = work
        self.spec_of = spec_of
        self.default_spec = default_spec
        self.now_s = now_s
        self.history = _until(history, work.back_in_service_s)
        h, acc = self.history, self.history.accuracy_k
        spread = float(h.warmest_c[-1] - h.coldest_c[-1]) if h.time_s.size else 0.0
        note = _assumed_note(h)
        cold = body_of("film", Lean.OPENS, h.time_s, h.coldest_c, acc, h.max_gap_s, outlook)
        self.cold = replace(cold, note=note)
        warm = body_of(
            "film",
            Lean.CLOSES,
            h.time_s,
            h.warmest_c,
            acc,
            h.max_gap_s,
            outlook,
            spread if np.isfinite(spread) else 0.0,
        )
        self.warm = replace(warm, note=note)

    def spec_named(self, name: str | None) -> Spec | None:
        """The spec of a name, the default for none, None for one that nobody gave."""
        if name is None or name == self.default_spec.name:
            return self.default_spec
        return self.spec_of.get(name)


def frame_of(
    bench: Bench, name: ClockName, spec: str, coat: Coat | None, *, buried: bool = False
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


def _until(history: TemperatureHistory, end_s: float | None) -> TemperatureHistory:
    """The history up to a launch: afterwards the enclosure's sensors no longer see the film."""
    if end_s is None or not history.time_s.size:
        return history
    stop = int(np.searchsorted(history.time_s, end_s, "right"))
    air_c, air_w = history.air_coldest_c, history.air_warmest_c
    return replace(
        history,
        time_s=history.time_s[:stop],
        coldest_c=history.coldest_c[:stop],
        warmest_c=history.warmest_c[:stop],
        air_coldest_c=None if air_c is None else air_c[:stop],
        air_warmest_c=None if air_w is None else air_w[:stop],
    )
