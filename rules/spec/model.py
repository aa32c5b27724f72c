"""What a coating spec is: its limits, times, mix and bands, in SI units. `read` reads one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from rules.text import shown
from rules.units import DAY_S, HOUR_S
from rules.vocabulary import (
    FILM_STAGES,
    ClockName,
    Effect,
    LimitName,
    Method,
    Service,
    Stage,
    Step,
    Until,
)

FAMILIES = {
    "two-pack-epoxy": "cured by an amine hardener",
    "two-pack-polyurethane": "cured by an isocyanate hardener",
    "two-pack-other": "any other that is mixed with a hardener",
    "moisture-curing": "cured by the water in the air, and so asks for humidity; one-pack or two",
    "moisture-curing-polyurethane": "the same, a one-pack polyurethane",
    "one-pack-enamel": "dries by solvent and by air",
    "varnish": "clear, dries by solvent and by air",
    "antifouling": "keeps growth off a hull under water",
    "tie-coat": "binds an antifouling or a topcoat to what lies below",
    "fairing-compound": "trowelled on to fair a hull, then sanded",
    "laminating-resin": "wets out cloth; mixed by weight more often than not",
    "tank-coating": "for the inside of a tank",
    "water-borne": "water leaves the film as it dries",
    "other": "anything else",
}
"""The families of coatings that a spec may belong to, and what each means."""

WATER_BORNE = "water-borne"
NO_PAINT = frozenset({"fairing-compound", "laminating-resin"})
"""Families that cloth or their own filler holds up, so that they do not sag as a paint does."""
NO_HARDENER = frozenset({"one-pack-enamel", "varnish", "moisture-curing-polyurethane"})
"""Families to which no hardener is added."""

AMINES = ("polyamide", "amine-adduct", "cycloaliphatic-amine", "fast-amine")
"""Classes of hardeners that cure an epoxy, from slow to bloom to fast."""

HARDENER_CLASSES = (*AMINES, "isocyanate", "none")
"""What cures a coating."""


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where a spec's figures come from.

    Attributes:
        sheet: title of the data sheet, or what stands in for it.
        revision: the sheet's revision, or "".
        date: the sheet's date, ISO 8601, or "".
        generic: True where the figures are common practice and no data sheet's.
    """

    sheet: str
    revision: str
    date: str
    generic: bool


@dataclass(frozen=True, slots=True)
class FilmCooling:
    """How far a wet film stands under its surface by its own cooling.

    Attributes:
        by_k: how far [K].
        method: by which it was or is to be laid.
        assumed: whether nobody said by which, so that the coldest of the sheet's counts.
    """

    by_k: float
    method: Method
    assumed: bool


@dataclass(frozen=True, slots=True)
class Limit:
    """One bound, and how long it matters to the film.

    Attributes:
        name: quantity and side.
        bound: in K for the dew margin, % for humidity, degC for temperatures.
        until: the step after which the film no longer minds, or a time from the coat's end [s].
        guard: whether the sensors' uncertainty is kept clear of the bound.
        effect: what the film suffers past the bound.
        wait: another bound on the inner side of `bound`, past which nothing is to be begun, or
            None, in the same unit.
        then: what it does once `until` is over and before the film has cured; SLOW, or None where
            it no longer matters at all.
        film_below_k: how far the film stands under its surface by its own cooling, where its own
            temperature counts [K].
        cooling: what of the bound, or between film and surface, is the wet film's own cooling.
    """

    name: LimitName
    bound: float
    until: Until
    guard: bool = True
    effect: Effect = Effect.HARM
    wait: float | None = None
    then: Effect | None = None
    film_below_k: float = 0.0
    cooling: FilmCooling | None = None

    @property
    def harms(self) -> bool:
        """Whether a film is spoiled past its bound."""
        return self.effect is Effect.HARM

    @property
    def asked(self) -> float:
        """The bound inside which everything is as the sheet wants it, in the limit's unit."""
        return self.bound if self.wait is None else self.wait


@dataclass(frozen=True, slots=True)
class TimeRow:
    """One row of a time table: how long a step takes at a temperature [degC, s]."""

    temp_c: float
    duration_s: float


@dataclass(frozen=True, slots=True)
class TimeTable:
    """How long a step takes by temperature, and by the humidity of the air where a sheet says.

    Attributes:
        rows: ordered from cold to hot; none where a window never closes.
        reckoned_to_c: how far down a table of one row is reckoned for clocks that open, the
            application minimum; None where the sheet gives more rows [degC].
        columns: humidity [%] and the table that holds there, from dry to damp; they count in
            place of `rows`, and beside them in air drier or damper than all of them, where `rows`
            are not those of one of them.
    """

    rows: tuple[TimeRow, ...]
    reckoned_to_c: float | None = None
    columns: tuple[tuple[float, TimeTable], ...] = ()


STEEPEST_EA_J_PER_MOL = 65_000.0
"""Slope outside a table: above a closes table where its own is flatter, below one row for opens.

The steep end of the working range that abstracts give for epoxy-amine curing, 50 to 65 kJ/mol
(Thermochim. Acta 447 (2006) 167-177 and others); urethanes are flatter, so this ends sooner.
"""

NEVER = TimeTable(())
"""Of a window that the sheet says never closes, or a wait that it says is not needed."""


@dataclass(frozen=True, slots=True)
class Column:
    """What of a sheet holds under conditions, all of which must be met.

    Attributes:
        method: how the coat is put on, or None for any.
        hardener: name of the hardener, or None for any.
        service: where the film will serve, or None for both.
        humidity_pct: of the air; between such columns times are reckoned; None for any [%].
        times: by clock; what it does not state stays as in the spec's own times. Without rows the
            clock does not run at all.
        limits: by stage and name, over the spec's own.
        mix: how the parts go together, or None where as in the spec.
        pot_sizes: how pot life shrinks, or None where as in the spec.
        hardener_class: what cures it, or "" where as in the spec.
    """

    method: Method | None
    hardener: str | None
    service: Service | None
    humidity_pct: float | None
    times: Mapping[ClockName, TimeTable]
    limits: Mapping[Stage, Mapping[LimitName, Limit]] = field(default_factory=dict)
    mix: Mix | None = None
    pot_sizes: tuple[PotSize, ...] | None = None
    hardener_class: str = ""

    def rank(self, method: Method | None, hardener: str | None, service: Service) -> int | None:
        """Return how many of its conditions are named and met, or None where one is not met."""
        asked = (
            (self.method, method),
            (self.hardener, hardener),
            (self.service, service),
        )
        if any(own is not None and own != given for own, given in asked):
            return None
        return sum(own is not None for own, _ in asked)

    @property
    def by_humidity_alone(self) -> bool:
        """Whether humidity is its only condition, so that it or its neighbour always holds."""
        return self.humidity_pct is not None and not (self.method or self.hardener or self.service)


@dataclass(frozen=True, slots=True)
class PotSize:
    """Pot life shrinks with the size of the pot: from this volume on, times `factor`.

    Attributes:
        from_ml: of the mix; where the sheet gives a mass, worked out by its density [mL].
        factor: of the pot life [1].
        from_g: the mass where the sheet gives one, or None [g].
    """

    from_ml: float
    factor: float
    from_g: float | None = None


@dataclass(frozen=True, slots=True)
class ThinnerBand:
    """How much thinner may be added, by temperature and method [degC, degC, % by volume of mix].

    Attributes:
        method: how the coat is put on, or None for any.
        from_c: from this temperature on [degC].
        to_c: up to this [degC].
        min_pct: at least [% by volume of mix].
        max_pct: at most [% by volume of mix].
        grade: name of the thinner, or "".
        coat: the only number of coat that it is for, or None.
        cup_s: how long the thinned mix runs out of the sheet's flow cup, or None [s].
    """

    method: Method | None
    from_c: float
    to_c: float
    min_pct: float
    max_pct: float
    grade: str = ""
    coat: int | None = None
    cup_s: float | None = None


@dataclass(frozen=True, slots=True)
class Mix:
    """How the parts go together.

    Attributes:
        by: "volume" or "weight": which of the two the parts are in, and the sheet leads with.
        base_parts: parts of base; 1 for a one-pack coating.
        hardener_parts: parts of hardener; 0 for a one-pack coating.
        base_density_g_per_ml: or None where the sheet does not tell [g/mL].
        hardener_density_g_per_ml: or None [g/mL].
        thinner_density_g_per_ml: or None [g/mL].
        solids_by_volume_pct: of the mix without thinner [%].
        thinner_max_pct: never more than this [% by volume of mix].
        thinner_bands: by temperature and method.
        max_batch_ml: the largest batch that the sheet allows, or None [mL].
        other_parts: base and hardener the other way, by weight where `by` is volume, or None.
        additive: what else goes in and how much, such as an accelerator, in words, or "".
    """

    by: str
    base_parts: float
    hardener_parts: float
    base_density_g_per_ml: float | None
    hardener_density_g_per_ml: float | None
    thinner_density_g_per_ml: float | None
    solids_by_volume_pct: float
    thinner_max_pct: float
    thinner_bands: tuple[ThinnerBand, ...]
    max_batch_ml: float | None
    other_parts: tuple[float, float] | None = None
    additive: str = ""

    def parts_by(self, by: str) -> tuple[float, float] | None:
        """Return parts of base and hardener by "volume" or "weight", or None where not stated."""
        return (self.base_parts, self.hardener_parts) if by == self.by else self.other_parts

    @property
    def density_g_per_ml(self) -> float | None:
        """Density of the mix without thinner, or None where the sheet does not tell [g/mL]."""
        base, hardener = self.base_density_g_per_ml, self.hardener_density_g_per_ml
        if base is None or self.hardener_parts == 0.0:
            return base
        if hardener is None:
            return None
        a, b = self.base_parts, self.hardener_parts
        if self.by == "weight":
            return (a + b) / (a / base + b / hardener)
        return (a * base + b * hardener) / (a + b)


@dataclass(frozen=True, slots=True)
class FilmThickness:
    """How thick one coat and all are to be, and how many; None where the sheet does not tell.

    Attributes:
        wet_min_um: as it is laid [um].
        wet_max_um: [um].
        dry_min_um: once it is dry [um].
        dry_max_um: [um].
        layers_max: coats at most.
        layers_min: coats at least.
        total_dry_min_um: all coats together, once they are dry [um].
        total_dry_max_um: [um].
        method_max_um: what a method can lay without sagging, wet [um].
    """

    wet_min_um: float | None = None
    wet_max_um: float | None = None
    dry_min_um: float | None = None
    dry_max_um: float | None = None
    layers_max: int | None = None
    layers_min: int | None = None
    total_dry_min_um: float | None = None
    total_dry_max_um: float | None = None
    method_max_um: Mapping[Method, float] = field(default_factory=dict)


SANDED_KEY_S, LONGEST_KEY_S = DAY_S, 2.0 * DAY_S
"""How long a sanded ground stays open for a coat, and at most; common practice, no source [s]."""


@dataclass(frozen=True, slots=True)
class OvercoatSteps:
    """Recoating before the window has opened, and in steps once it has closed.

    Attributes:
        abraded_s: until then, from the coat's start, it may be sanded and coated, after it it must
            come off; None where the sheet sets no end to sanding [s].
        sanded_key_s: how long a sanded ground stays open [s].
        wet_on_wet_s: until then, from the coat's start, the next may go on at once; after it none
            may until the window opens. None where the sheet has no such time [s].
    """

    abraded_s: float | None = None
    sanded_key_s: float = SANDED_KEY_S
    wet_on_wet_s: float | None = None


@dataclass(frozen=True, slots=True)
class Launch:
    """When the work may go into the water, from the last coat's end.

    Attributes:
        not_before: by temperature, or None.
        not_after_s: or None [s].
    """

    not_before: TimeTable | None = None
    not_after_s: float | None = None


@dataclass(frozen=True, slots=True)
class PostCure:
    """Heat that a sheet asks for once the film has cured so far; nothing here switches any.

    Attributes:
        hold_c: the temperature to be held [degC].
        takes_s: for how long [s].
        not_before_s: from the coat's end, or None [s].
    """

    hold_c: float
    takes_s: float
    not_before_s: float | None


MEASURE_AGE_S = DAY_S
"""After this a hand reading is asked for again where the sheet does not say; no source."""


@dataclass(frozen=True, slots=True)
class Measurement:
    """A hand reading that the sheet asks for before a coat, with its bounds in `unit`.

    Attributes:
        what: wood-moisture, chloride, profile, ...
        unit: `pct`, `degC`, `um`, `mg/m2`, `h` or `class`.
        low: or None.
        high: or None.
        max_age_s: how long a reading counts [s].
        method: how it is to be taken, in words, or "".
        standard: that it is taken by, or "".
        of_the_film: it is taken of this coating's own film, before the next coat goes on it.
    """

    what: str
    unit: str
    low: float | None
    high: float | None
    max_age_s: float = MEASURE_AGE_S
    method: str = ""
    standard: str = ""
    of_the_film: bool = False


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a sheet asks of the place, which nothing here measures; it is shown to people.

    Attributes:
        air_changes_per_h: while the film dries, or None [1/h].
        wind_max_m_per_s: or None [m/s].
        sun: words, or "".
        notes: what else it says that no key has a place for, in its own words.
    """

    air_changes_per_h: float | None = None
    wind_max_m_per_s: float | None = None
    sun: str = ""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Band:
    """A distance inside the bounds, one figure for each kind of limit [K, %, K]."""

    dew_margin_k: float
    humidity_pct: float
    temp_k: float

    def of(self, name: LimitName) -> float:
        """Return the distance that applies to a limit, in the limit's unit."""
        if name is LimitName.DEW_MARGIN_MIN:
            return self.dew_margin_k
        if name in (LimitName.HUMIDITY_MAX, LimitName.HUMIDITY_MIN):
            return self.humidity_pct
        return self.temp_k


# What counts where a spec's file does not say.
GO_BAND = Band(dew_margin_k=0.3, humidity_pct=1.0, temp_k=0.3)
RE_ENTRY_BAND = Band(dew_margin_k=0.5, humidity_pct=2.0, temp_k=0.5)
DWELL_S = 600.0
RE_ENTRY_S = 900.0
COATING_TIME_S = 3600.0
COATING_TIMES_S = (60.0, 24.0 * HOUR_S)
"""Shortest and longest that a coat can be expected to take, a day's work at most [s]."""


@dataclass(frozen=True, slots=True)
class Spec:
    """A coating's limits and times.

    Attributes:
        name: short name, as in a config.
        title: what a person calls it.
        family: `two-pack-epoxy`, `two-pack-polyurethane`, `one-pack-enamel`, `varnish`, ...
        provenance: where the figures come from.
        limits: by stage (apply, flash, cure), then by name, as the file states them.
        wet_film_cooling_k: how far a wet film stands below its surface, by method [K].
        times: by clock.
        recoat_by_next: `recoat opens` and `recoat closes` where the next coat's spec or family
            changes them: next spec's name or family -> clock -> table.
        pot_sizes: how pot life shrinks in bigger pots, ordered by volume.
        tape_not_after_s: the longest that tape may stay on whatever the temperature, or None [s].
        mix: how the parts go together, or None where the file does not say.
        go_band: how far inside the guard entering GO asks for.
        re_entry_band: how far inside the bounds leaving STOP asks for.
        dwell_s: how long GO's conditions must hold before GO [s].
        re_entry_s: how long the re-entry band must hold before STOP ends [s].
        coating_time_s: how long a coat is expected to take [s].
        measurements: hand readings asked for before a coat.
        unlimited: clocks of [times] that the sheet says never end.
        reminder: words to show before the next coat over a cured film, or "".
        after_closes: what to do once the recoat window has closed, or "".
        hardener_class: what cures it, one of HARDENER_CLASSES, or "" where the sheet does not tell.
        when: what holds under conditions; `under` picks it for a film or a pot.
        overcoat: recoating in steps.
        launch: when the work may go into the water.
        film: how thick one coat is to be.
        post_cure: heat that the sheet asks for, or None.
        surroundings: what it asks of the place.
    """

    name: str
    title: str
    family: str
    provenance: Provenance
    limits: Mapping[Stage, Mapping[LimitName, Limit]]
    wet_film_cooling_k: Mapping[Method, float] = field(default_factory=dict)
    times: Mapping[ClockName, TimeTable] = field(default_factory=dict)
    recoat_by_next: Mapping[str, Mapping[ClockName, TimeTable]] = field(default_factory=dict)
    pot_sizes: tuple[PotSize, ...] = ()
    tape_not_after_s: float | None = None
    mix: Mix | None = None
    go_band: Band = GO_BAND
    re_entry_band: Band = RE_ENTRY_BAND
    dwell_s: float = DWELL_S
    re_entry_s: float = RE_ENTRY_S
    coating_time_s: float = COATING_TIME_S
    measurements: tuple[Measurement, ...] = ()
    unlimited: tuple[ClockName, ...] = ()
    reminder: str = ""
    after_closes: str = ""
    hardener_class: str = ""
    when: tuple[Column, ...] = ()
    overcoat: OvercoatSteps = OvercoatSteps()
    launch: Launch = Launch()
    film: FilmThickness = FilmThickness()
    post_cure: PostCure | None = None
    surroundings: Surroundings = Surroundings()

    @property
    def water_borne(self) -> bool:
        """Whether water leaves the film, which cools it and which cold and damp air hold back."""
        return self.family == WATER_BORNE

    @property
    def chemistry(self) -> str:
        """Its family, and what its hardener makes of it: an epoxy or a polyurethane."""
        if self.hardener_class == "isocyanate":
            return f"{self.family} polyurethane"
        if self.hardener_class in AMINES:
            return f"{self.family} epoxy"
        return self.family

    @property
    def hardeners(self) -> tuple[str, ...]:
        """Names of the hardeners that the sheet has figures of their own for."""
        return tuple(dict.fromkeys(c.hardener for c in self.when if c.hardener is not None))

    def lacks(self, hardener: str | None) -> str:
        """Return that the sheet has no such hardener and which it has, or ""."""
        if hardener is None or hardener in self.hardeners:
            return ""
        has = ", ".join(self.hardeners) or "none but its standard one"
        return f"hardener {shown(hardener)} is not in spec {shown(self.name)}, which has {has}"

    def under(
        self,
        method: Method | None = None,
        hardener: str | None = None,
        service: Service | None = None,
    ) -> Spec:
        """Return the spec with the figures that hold for one film or pot.

        Of the columns whose conditions are met, those that name most of them count, and of two
        alike the later; columns by humidity stay side by side in the time table.

        Args:
            method: how the coat is put on, where it is known.
            hardener: its name; None is the sheet's standard one.
            service: where the film will serve; None is under water, as a hull.
        """
        if not self.when:
            return self
        asked = (method, hardener, service or Service.IMMERSED)
        ranked = [(each.rank(*asked), each) for each in self.when]
        met = [(rank, column) for rank, column in ranked if rank is not None]
        met.sort(key=lambda each: each[0])
        limits = {stage: dict(own) for stage, own in self.limits.items()}
        found = self
        for _, column in met:
            for stage, own in column.limits.items():
                limits.setdefault(stage, {}).update(own)
            found = replace(
                found,
                mix=column.mix or found.mix,
                pot_sizes=found.pot_sizes if column.pot_sizes is None else column.pot_sizes,
                hardener_class=column.hardener_class or found.hardener_class,
            )
        return replace(found, limits=limits, times=_times_under(self, met), when=())

    @property
    def times_until(self) -> frozenset[float]:
        """The times from a coat's end that limits name in place of a step [s]."""
        every = (limit.until for own in self.limits.values() for limit in own.values())
        return frozenset(until for until in every if not isinstance(until, Step))

    def limits_for(self, stage: Stage) -> dict[LimitName, Limit]:
        """Return the limits that count in a stage.

        Before a film is wet the `apply` limits count. In flash and cure, a limit that the file
        does not state anew goes on as in the stage before, until the step that it names.
        """
        last = FILM_STAGES.index(stage) if stage in FILM_STAGES else 0
        merged: dict[LimitName, Limit] = {}
        for earlier in FILM_STAGES[: last + 1]:
            merged.update(self.limits.get(earlier, {}))
        return merged


def _times_under(spec: Spec, met: Sequence[tuple[int, Column]]) -> dict[ClockName, TimeTable]:
    """The times by the columns that are met, each with how many of its conditions were named.

    Where one says that a clock never ends or is not needed at a humidity, the others count there
    too: that is the slow side of what opens and the fast one of what closes.
    """
    times = dict(spec.times)
    for clock in dict.fromkeys(clock for _, column in met for clock in column.times):
        ranked = [(rank, column) for rank, column in met if clock in column.times]
        best = max(rank for rank, _ in ranked)
        held = [column for rank, column in ranked if rank == best]
        plain = [column.times[clock] for column in held if column.humidity_pct is None]
        damp = [
            (column.humidity_pct, column.times[clock])
            for column in held
            if column.humidity_pct is not None and column.times[clock].rows
        ]
        if plain:
            times[clock] = plain[-1]
        if damp:
            damp.sort(key=lambda column: column[0])
            base = times.get(clock, NEVER)
            times[clock] = replace(base if base.rows else damp[-1][1], columns=tuple(damp))
    return {clock: table for clock, table in times.items() if table.rows}


def _both(low: LimitName, high: LimitName) -> dict[LimitName, Limit]:
    return {
        low: Limit(low, 10.0, Step.CURED),
        high: Limit(high, 35.0, Step.TOUCH_DRY),
    }


GENERAL_GUIDANCE = Spec(
    name="general-guidance",
    title="General guidance, no coating's own figures",
    family="any",
    provenance=Provenance(
        sheet="3 K over the dew point: ISO 8502-4:2017 guidance; 85 % and 10 to 35 degC: "
        "common practice, no source",
        revision="",
        date="",
        generic=True,
    ),
    limits={
        Stage.APPLY: {
            LimitName.DEW_MARGIN_MIN: Limit(LimitName.DEW_MARGIN_MIN, 3.0, Step.CURED),
            LimitName.HUMIDITY_MAX: Limit(LimitName.HUMIDITY_MAX, 85.0, Step.CURED),
            **_both(LimitName.SURFACE_TEMP_MIN, LimitName.SURFACE_TEMP_MAX),
            **_both(LimitName.AIR_TEMP_MIN, LimitName.AIR_TEMP_MAX),
        }
    },
)
