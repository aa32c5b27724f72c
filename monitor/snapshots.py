"""Makes an enclosure's snapshot for the screen and the alarms, and keeps the last hours' trends."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence

from monitor.calibrations import CalibrationBook
from monitor.enclosure import ChannelState, Enclosure
from monitor.films import FilmKeeper
from monitor.snapshot import OutlookBands, PointHealth, Snapshot
from rules.clocks.clock import Clock, ClockState
from rules.clocks.work import work_of
from rules.events import CarriedOut, Event, ProbesOut, in_force
from rules.trend import AHEAD_COUNTS_S
from rules.vocabulary import ALL_SECTIONS, ClockName
from sensors.reading import Quality, Quantity

TREND_EVERY_S = 60.0
TREND_KEPT_S = 6 * 3600.0
EVENTS_SHOWN = 20


class SnapshotMaker:
    """Follows one enclosure for the screen."""

    def __init__(self, enclosure: Enclosure, keeper: FilmKeeper, *, recorded: bool) -> None:
        self.calibrations = CalibrationBook()
        self._enclosure = enclosure
        self._keeper = keeper
        self._recorded = recorded
        self._trends: dict[str, deque[tuple[float, float]]] = {}
        self._sampled_s = -math.inf
        self._clocks: tuple[Clock, ...] = ()
        self._clocks_s = -math.inf
        self._taped: frozenset[str] = frozenset()

    def sample(self) -> None:
        """Note the present for the trends, once a minute; call after evaluations."""
        now_s = self._enclosure.now_s
        if self._sampled_s <= now_s < self._sampled_s + TREND_EVERY_S:
            return
        self._sampled_s = now_s
        climate = self._enclosure.explain()[0].climate
        values = {
            "dew_margin_k": climate.dew_margin_k,
            "rh_pct": climate.rh_pct,
            "air_temp_c": climate.air_temp_c,
            "surface_temp_c": climate.surface_temp_c,
        }
        for name, value in values.items():
            series = self._trends.setdefault(name, deque())
            while series and not now_s - TREND_KEPT_S <= series[0][0] <= now_s:
                series.popleft()
            if value is not None:
                series.append((now_s, value))

    def make(
        self,
        now_s: float,
        *,
        link: str = "",
        link_ok: bool = True,
        alarm: str = "",
        notices: Sequence[str] = (),
        counts: Mapping[str, int] | None = None,
        outlook: Mapping[str, OutlookBands] | None = None,
        outlook_why: Mapping[str, str] | None = None,
    ) -> Snapshot:
        """Return the enclosure as it is now.

        Args:
            now_s: [s].
            link: state of the broker in one sentence.
            link_ok: whether readings can come in.
            alarm: the alarm that nobody has acknowledged yet.
            notices: what has to be said beside the call.
            counts: what the intake refused or dropped, by name.
            outlook: the next hours of each section; what was made over half an hour ago is left
                out.
            outlook_why: why a section has no outlook.
        """
        enclosure, keeper = self._enclosure, self._keeper
        if not self._clocks_s <= now_s < self._clocks_s + 1.0:
            self._clocks_s = now_s
            self._clocks = keeper.all_clocks(enclosure)
            self._taped = frozenset(
                name
                for name in enclosure.sections
                if work_of(name, keeper.events, now_s).tape_on_s is not None
            )
        events: tuple[Event, ...] = in_force(keeper.events)
        carried = keeper.carried_out()
        outs = {name: carried.of_section(name, now_s) for name in enclosure.sections}
        out = {name: each for name, each in outs.items() if each is not None}
        told = {**enclosure.counts.set_aside, **(counts or {})}
        if enclosure.counts.late:
            told["late"] = enclosure.counts.late
        if enclosure.counts.duplicates:
            told["repeated"] = enclosure.counts.duplicates
        return Snapshot(
            enclosure=enclosure.name,
            time_s=now_s,
            timezone=enclosure.config.timezone,
            recorded=self._recorded,
            calls=tuple(enclosure.explain()),
            trends={name: tuple(series) for name, series in self._trends.items()},
            clocks=self._clocks,
            points=points_of(enclosure, now_s, self.calibrations, carried),
            events=events[: -EVENTS_SHOWN - 1 : -1],
            counts=told,
            link=link,
            link_ok=link_ok,
            intake_delay_s=enclosure.intake_delay_s,
            probes_out=out,
            probes_due=frozenset(name for name in out if self._due(name, out, now_s)),
            alarm=alarm,
            notices=tuple(notices),
            outlook={
                name: bands
                for name, bands in (outlook or {}).items()
                if 0.0 <= now_s - bands.made_s <= AHEAD_COUNTS_S
            },
            outlook_why=dict(outlook_why or {}),
            taped=self._taped,
            specs={keeper.default_spec.name: keeper.default_spec, **keeper.specs},
        )

    def _due(self, section: str, outs: Mapping[str, ProbesOut], now_s: float) -> bool:
        """Whether probes are to be back by now: at their time, or once films are touch dry.

        Every film counts that the same probes are out of.
        """
        out = outs[section]
        if out.until_s is not None:
            return now_s >= out.until_s
        drying = [
            each
            for each in self._clocks
            if each.name is ClockName.TOUCH_DRY
            and (out.section is None or outs.get(each.section or ALL_SECTIONS) == out)
        ]
        return not any(each.state in (ClockState.RUNNING, ClockState.WAITING) for each in drying)


def points_of(
    enclosure: Enclosure,
    now_s: float,
    calibrations: CalibrationBook | None = None,
    carried: CarriedOut | None = None,
) -> tuple[PointHealth, ...]:
    """Return the health of every configured quantity.

    Args:
        enclosure: with its points.
        now_s: now [s].
        calibrations: for the age of each, or None where nobody asks for it.
        carried: which of them somebody has carried out, or None for none.
    """
    book = calibrations or CalibrationBook()

    def age_s(channel: ChannelState) -> float | None:
        config = channel.config
        return book.age_s(enclosure.name, config.name, config.quantity, now_s)

    out = carried or CarriedOut()
    return tuple(
        _health(each, now_s, age_s(each), is_out=each.config.is_out(out, now_s))
        for each in enclosure.channels()
    )


def _health(
    channel: ChannelState, now_s: float, calibration_age_s: float | None, *, is_out: bool
) -> PointHealth:
    config, sensed, reading = channel.config, channel.sensed, channel.reading
    spoke = reading is not None and math.isfinite(channel.effective_s)
    value = None
    if sensed.quality == Quality.OK.value:
        value = sensed.value
    elif reading is not None and math.isfinite(reading.value):
        value = reading.value
    return PointHealth(
        point=config.name,
        quantity=Quantity(config.quantity),
        section=config.section,
        value=value,
        quality=Quality(sensed.quality),
        age_s=max(0.0, now_s - channel.effective_s) if spoke else None,
        calibration_age_s=calibration_age_s,
        accuracy=sensed.accuracy,
        usual_s=channel.watch.usual_interval_s(),
        required=config.required,
        is_out=is_out,
        clock_slow_s=channel.clock_slow_s(now_s),
    )
