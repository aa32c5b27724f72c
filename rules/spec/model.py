"""What a coating spec is: its limits, times, mix and bands, in SI units. `read` reads one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from rules.vocabulary import FILM_STAGES, ClockName, LimitName, Method, Stage, Step


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
class Limit:
    """One bound, and how long it matters to the film.

    Attributes:
        name: quantity and side.
        bound: in K for the dew margin, % for humidity, degC for temperatures.
        until: the step after which the film no longer minds.
        guard: whether the sensors' uncertainty is kept clear of the bound.
    """

    name: LimitName
    bound: float
    until: Step
    guard: bool = True


@dataclass(frozen=True, slots=True)
class TimeRow:
    """One row of a time table: how long a step takes at a temperature [degC, s]."""

    temp_c: float
    duration_s: float


@dataclass(frozen=True, slots=True)
class TimeTable:
    """How long a step takes by temperature.

    Attributes:
        rows: ordered from cold to hot; none where a window never closes.
        reckoned_to_c: how far down a table of one row is reckoned for clocks that open, the
            application minimum; None where the sheet gives more rows [degC].
    """

    rows: tuple[TimeRow, ...]
    reckoned_to_c: float | None = None


NEVER = TimeTable(())
"""Of a window that the sheet says never closes."""


@dataclass(frozen=True, slots=True)
class PotSize:
    """Pot life shrinks with the size of the pot: from this volume on, times `factor` [mL, 1]."""

    from_ml: float
    factor: float


@dataclass(frozen=True, slots=True)
class ThinnerBand:
    """How much thinner may be added, by temperature and method [degC, degC, % by volume of mix]."""

    method: Method | None
    from_c: float
    to_c: float
    min_pct: float
    max_pct: float


@dataclass(frozen=True, slots=True)
class Mix:
    """How the parts go together.

    Attributes:
        by: "volume" or "weight".
        base_parts: parts of base; 1 for a one-pack coating.
        hardener_parts: parts of hardener; 0 for a one-pack coating.
        base_density_g_per_ml: or None where the sheet does not tell [g/mL].
        hardener_density_g_per_ml: or None [g/mL].
        thinner_density_g_per_ml: or None [g/mL].
        solids_by_volume_pct: of the mix without thinner [%].
        thinner_max_pct: never more than this [% by volume of mix].
        thinner_bands: by temperature and method.
        max_batch_ml: the largest batch that the sheet allows, or None [mL].
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


@dataclass(frozen=True, slots=True)
class Measurement:
    """A hand reading that the sheet asks for before a coat, with its bounds in `unit`."""

    what: str
    unit: str
    low: float | None
    high: float | None


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
