"""What one enclosure looks like at one moment: all that a screen needs, and nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from rules.clocks.clock import Clock
from rules.events import Event, ProbesOut
from rules.section import SectionCall
from rules.spec.model import Spec
from sensors.mqtt.heartbeat import BEHIND_S
from sensors.reading import Quality, Quantity


@dataclass(frozen=True, slots=True)
class DeskView:
    """The foot of the screen.

    Attributes:
        lines: what the desk asks or tells; empty where the usual list of keys may stand.
        asking: whether it waits for an answer.
        keys_page: every key with what it records, or () where the list was not asked for.
    """

    lines: tuple[str, ...] = ()
    asking: bool = False
    keys_page: tuple[str, ...] = ()


IDLE = DeskView()


@dataclass(frozen=True, slots=True)
class PointHealth:
    """The last word of one quantity at one point.

    Attributes:
        point: name of the sensor body.
        quantity: what it measures.
        section: the part of the work that a surface point belongs to, or None.
        value: in the quantity's unit, or None where it never spoke.
        quality: ok, or why the value is not believed.
        age_s: since it was taken in, or None where it never spoke [s].
        calibration_age_s: since its last calibration, or None where it has none [s].
        accuracy: half-width of its error as the config and the calibration have it, or None
            where it is not known [unit].
        usual_s: between two of its readings, or None where it is not known yet [s].
        required: whether a call waits for it.
        is_out: whether somebody has carried it out on purpose.
        clock_slow_s: by how much its probe's own clock is slow, so that what comes counts as old;
            None where that is not so [s].
    """

    point: str
    quantity: Quantity
    section: str | None
    value: float | None
    quality: Quality
    age_s: float | None
    calibration_age_s: float | None = None
    accuracy: float | None = None
    usual_s: float | None = None
    required: bool = True
    is_out: bool = False
    clock_slow_s: float | None = None


Band = tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]
"""Values that 10, 50 and 90 % of the courses stay under, by time."""


@dataclass(frozen=True, slots=True)
class OutlookBands:
    """What one section's next hours will probably bring.

    Attributes:
        made_s: when it was made [s].
        time_s: instants, ascending, the first of them `made_s` [s].
        dew_margin_k: of the coldest surface, or None where it is not known [K].
        rh_pct: of the air [%].
        air_temp_c: of the air [°C].
        surface_temp_c: of the coldest surface, or None [°C].
        source: what it rests on, in words.
        forecast: age, reach and gaps of the forecast in words, or "".
        by_log_why: why it goes by the log alone though there is a forecast, or "".
    """

    made_s: float
    time_s: tuple[float, ...]
    dew_margin_k: Band | None
    rh_pct: Band
    air_temp_c: Band
    surface_temp_c: Band | None
    source: str = ""
    forecast: str = ""
    by_log_why: str = ""

    def band(self, name: str) -> Band | None:
        """Return a quantity's band by the name that `Snapshot.trends` has for it."""
        found: Band | None = getattr(self, name)
        return found


@dataclass(frozen=True, slots=True)
class NextStep:
    """What a job's plan has next in one enclosure.

    Attributes:
        section: where.
        what: it is, in words.
        from_s: the first start that its window allows [s].
        until_s: the last one [s].
        best_s: the planned one [s].
        mix_ml: how much to mix for it, or None [mL].
    """

    section: str
    what: str
    from_s: float
    until_s: float
    best_s: float
    mix_ml: float | None = None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One enclosure at one moment.

    Attributes:
        enclosure: its name.
        time_s: the moment, in the data's time [s].
        timezone: IANA name of the zone that people there use.
        recorded: True where a recording is played and nothing of this is now.
        calls: of its sections, worst first.
        trends: the last hours of `dew_margin_k`, `rh_pct`, `air_temp_c`, `surface_temp_c`, as
            (time [s], value) ordered by time.
        clocks: of all sections and batches, the next to end first.
        points: health of every configured quantity.
        events: the last ones, newest first.
        counts: what was set aside, refused or dropped, by name.
        link: state of the broker in one sentence, or "" in a replay.
        link_ok: whether readings can come in.
        intake_delay_s: how old what is heard is by the time it comes; over 5 s no GO is sure [s].
        probes_out: how somebody has carried probes out on purpose, by each section that is judged
            by one of them: no panel may comfort with what was.
        probes_due: those sections for which the time has come to bring them back.
        alarm: the alarm that nobody has acknowledged yet, or "".
        notices: what has to be said beside the call: unlogged calls, a clock that was set.
        specs: by name, so that the screen can say what would change a call, and offer them; the
            enclosure's own first.
        outlook: the next hours of each section that has an outlook, by its name.
        outlook_why: why a section has none, by its name, where that is known.
        next_step: of the job that the config names, or None.
        no_plan: why that job has no plan now, or "".
        taped: sections on which tape is recorded as on, or None where nobody has looked.
    """

    enclosure: str
    time_s: float
    timezone: str
    recorded: bool
    calls: tuple[SectionCall, ...]
    trends: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)
    clocks: tuple[Clock, ...] = ()
    points: tuple[PointHealth, ...] = ()
    events: tuple[Event, ...] = ()
    counts: Mapping[str, int] = field(default_factory=dict)
    link: str = ""
    link_ok: bool = True
    intake_delay_s: float = 0.0
    probes_out: Mapping[str, ProbesOut] = field(default_factory=dict)
    probes_due: frozenset[str] = frozenset()
    alarm: str = ""
    notices: tuple[str, ...] = ()
    specs: Mapping[str, Spec] = field(default_factory=dict)
    outlook: Mapping[str, OutlookBands] = field(default_factory=dict)
    outlook_why: Mapping[str, str] = field(default_factory=dict)
    next_step: NextStep | None = None
    no_plan: str = ""
    taped: frozenset[str] | None = None

    @property
    def is_behind(self) -> bool:
        """Whether what is heard comes so late that it says too little of now."""
        return self.intake_delay_s > BEHIND_S
