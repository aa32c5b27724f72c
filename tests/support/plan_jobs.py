"""Small invented jobs for the planner's trial: an invented workboat, invented coatings and weather.

Most coatings take the same time at every temperature, and most weather changes nothing but
whether a coat may start, so that a plan's arithmetic can be done on paper.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from plan_brute import Hour

PRIMER, TOPCOAT = "quick-primer.toml", "quick-topcoat.toml"
FLAT = {
    "pot_life": "2 h",
    "touch_dry": "3 h",
    "recoat_opens": "6 h",
    "recoat_closes": "48 h",
    "sand": "8 h",
    "handle": "12 h",
    "cured": "48 h",
}


def spec_text(
    name: str,
    family: str = "two-pack-epoxy",
    times: dict[str, str] | None = None,
    rows: dict[str, dict[str, str]] | None = None,
    humidity_until: str = "handle",
) -> str:
    """Return a spec file: each time the same from 0 to 40 °C, but for what `rows` gives by row."""
    tables = {key: {"0 degC": time, "40 degC": time} for key, time in (times or FLAT).items()}
    tables |= rows or {}
    lines = []
    for key, table in tables.items():
        cells = ", ".join(f'"{temp}" = "{time}"' for temp, time in table.items())
        lines.append(f"{key} = {{ {cells} }}")
    return "\n".join(
        [
            f'name = "{name}"',
            f'title = "Invented: {name}"',
            f'family = "{family}"',
            "[source]",
            'sheet = "an invented sheet, for this test only"',
            "generic = false",
            "[limits.apply]",
            'dew_margin_min = { bound = "3 K", until = "touch-dry", guard = false }',
            f'humidity_max = {{ bound = "80 %", until = "{humidity_until}", guard = false }}',
            'surface_temp_min = { bound = "5 degC", until = "cured", guard = false }',
            'surface_temp_max = { bound = "35 degC", until = "touch-dry", guard = false }',
            "[times]",
            *lines,
            "[mix]",
            'by = "volume"',
            'ratio = "3:1"',
            'solids_by_volume = "50 %"',
            'thinner_max = "10 %"',
            "",
        ]
    )


def fair(_: datetime) -> tuple[float, float]:
    """Dry and mild at all hours: 18 °C and 50 %, a dew point near 7 °C."""
    return 18.0, 50.0


def hours_from(
    start: str, weather: Callable[[datetime], tuple[float, float]] = fair, days: int = 27
) -> tuple[Hour, ...]:
    """Return hours from midnight UTC, two days before a date."""
    first = datetime.fromisoformat(start).replace(tzinfo=UTC) - timedelta(days=2)
    times = [first + timedelta(hours=count) for count in range(24 * days)]
    return tuple(Hour(at.timestamp(), *weather(at)) for at in times)


def system(*entries: str) -> str:
    """Return a section's system from short words: `primer*2`, `sand`, `topcoat`."""
    lines = []
    for entry in entries:
        what, _, times = entry.partition("*")
        if what == "sand":
            lines.append('  { sand = "320", takes = "2 h" },')
            continue
        file = {"primer": PRIMER, "topcoat": TOPCOAT}[what]
        lines.append(
            f'  {{ coat = "{file}", times = {times or 1}, dry = "50 um", takes = "1 h" }},'
        )
    return "system = [\n" + "\n".join(lines) + "\n]\n"


def section(
    name: str, *entries: str, enclosure: str = "polytunnel", beside: tuple[str, ...] = ()
) -> str:
    """Return one section of a job file."""
    names = ", ".join(f'"{each}"' for each in beside)
    near = f"beside = [{names}]\n" if beside else ""
    return (
        f'[[section]]\nname = "{name}"\nenclosure = "{enclosure}"\narea = "6.5 m2"\n{near}'
        + system(*entries)
    )


def job_text(
    *sections: str,
    hours: str = '"17:00-21:00"',
    done_by: str = "2026-11-05",
    start: str = "2026-10-19",
    people: int = 1,
    zone: str = "Etc/UTC",
    more: str = "",
    warmer: str = "0 K",
) -> str:
    """Return a job file; `more` goes into its [job] table."""
    return (
        f'[job]\nboat = "the workboat"\nmust_be_done = "{done_by}"\nstart = "{start}"\n'
        f'timezone = "{zone}"\nhours = {hours}\npeople = {people}\n{more}\n'
        f'[enclosure.polytunnel]\nwarmer = "{warmer}"\n[enclosure.shed]\nwarmer = "{warmer}"\n'
        + "".join(sections)
    )


@dataclass(frozen=True, slots=True)
class Trial:
    """One job with its specs and its weather.

    Attributes:
        job: text of the job file.
        specs: text of each spec file, by its name.
        hours: outdoor hours.
        start: first day, as the command gets it.
        exact: False where a best plan may owe time to what the job file leaves open, as how long
            taping takes; the exhaustive finish is then only a bound.
    """

    job: str
    specs: dict[str, str]
    hours: tuple[Hour, ...]
    start: str = "2026-10-19"
    exact: bool = True

    def write(self, folder: Path) -> tuple[Path, Path]:
        """Write job, specs and forecast into a folder; return the job's and forecast's paths."""
        for name, text in self.specs.items():
            (folder / name).write_text(text, "utf-8")
        job, forecast = folder / "job.toml", folder / "forecast.csv"
        job.write_text(self.job, "utf-8")
        rows = [
            f"{datetime.fromtimestamp(h.time_s, UTC):%Y-%m-%dT%H:%MZ},{h.temp_c:g},{h.rh_pct:g}"
            for h in self.hours
        ]
        forecast.write_text("time,temperature,humidity\n" + "\n".join(rows) + "\n", "utf-8")
        return job, forecast


SPECS = {
    PRIMER: spec_text("quick-primer"),
    TOPCOAT: spec_text("quick-topcoat", "two-pack-polyurethane"),
}
INDUCTION = {PRIMER: spec_text("quick-primer", times={**FLAT, "induction": "30 min"})}
SHORT_WINDOW = {PRIMER: spec_text("quick-primer", times={**FLAT, "recoat_closes": "30 h"})}
BY_TEMPERATURE = {
    PRIMER: spec_text(
        "quick-primer",
        rows={
            "recoat_opens": {"10 degC": "12 h", "20 degC": "6 h"},
            "touch_dry": {"10 degC": "6 h", "20 degC": "3 h"},
            "cured": {"10 degC": "96 h", "20 degC": "48 h"},
        },
    )
}
FAIR = hours_from("2026-10-19")
DAILY = '"08:00-12:00, 13:00-18:00"'


def damp_spell(at: datetime) -> tuple[float, float]:
    """Fair, but saturated from Tuesday 20 October 00:00 until Thursday 22 October 06:00."""
    damp = datetime(2026, 10, 20, tzinfo=UTC) <= at < datetime(2026, 10, 22, 6, tzinfo=UTC)
    return 18.0, 98.0 if damp else 50.0


def cold(_: datetime) -> tuple[float, float]:
    """10 °C at all hours."""
    return 10.0, 50.0


def raw(_: datetime) -> tuple[float, float]:
    """12 °C and 92 %: too damp, but 66 % once 5 K warmer (Magnus: 14.0 / 19.4 hPa of 0.92)."""
    return 12.0, 92.0


PORT_AND_STARBOARD = (section("hull-port", "primer*2"), section("hull-starboard", "primer*2"))
SOLO = section("hull-port", "primer*2")
TAPED = SOLO.replace("  { coat", '  { tape = "sheer line", takes = "15 min" },\n  { coat')
SLOW_TAPE = spec_text(
    "quick-primer", times={**FLAT, "tape_not_before": "10 h", "tape_not_after": "40 h"}
)

TRIALS: dict[str, Trial] = {
    "one_person_two_sides_in_the_evening": Trial(
        job_text(*PORT_AND_STARBOARD, hours='"17:00-20:00"'), SPECS, FAIR
    ),
    "two_people_two_sides": Trial(job_text(*PORT_AND_STARBOARD, people=2), SPECS, FAIR),
    "induction_between_mixing_and_coat": Trial(
        job_text(*PORT_AND_STARBOARD, hours=DAILY), INDUCTION, FAIR
    ),
    "sanding_of_the_system_by_day": Trial(
        job_text(section("hull-port", "primer", "sand", "topcoat"), hours=DAILY), SPECS, FAIR
    ),
    "dust_in_one_tent": Trial(
        job_text(
            section("hull-port", "primer", "sand", "topcoat"),
            section("deck", "primer*2"),
            hours=DAILY,
            people=2,
        ),
        SPECS,
        FAIR,
    ),
    # Mornings of 2 h 15 min hold either a sanding of 2 h or a mixing and a coat. Apart, the hull is
    # sanded on Monday beside the spar's first coat and both get a coat on Tuesday: cured Thursday
    # 22, 09:15. In one tent the deck's wet film keeps the sanding off its days, which makes the
    # work a morning longer: sanding on Monday, the deck on Tuesday and Wednesday: Friday 09:15.
    "dust_takes_a_morning": Trial(
        job_text(
            section("hull-port", "sand", "primer"),
            section("deck", "primer*2"),
            hours='"08:00-10:15"',
            people=2,
        ),
        SPECS,
        FAIR,
    ),
    "two_sheds_save_that_morning": Trial(
        job_text(
            section("hull-port", "sand", "primer"),
            section("spar", "primer*2", enclosure="shed"),
            hours='"08:00-10:15"',
            people=2,
        ),
        SPECS,
        FAIR,
    ),
    "weekends_only_so_a_window_is_missed": Trial(
        job_text(SOLO, hours='{ sat = "08:00-13:00" }', start="2026-10-24", done_by="2026-11-03"),
        SPECS,
        hours_from("2026-10-24"),
        "2026-10-24",
    ),
    "closed_days_between": Trial(
        job_text(SOLO, more='closed = ["2026-10-20", "2026-10-21"]'), SPECS, FAIR
    ),
    "clocks_go_back_over_the_weekend": Trial(
        # Summer time ends on 25 October 2026 at 01:00 UTC: 08:00 on Saturday is 07:00 UTC, on
        # Sunday 08:00 UTC (IANA time zone database, Europe/London).
        job_text(
            SOLO,
            hours='{ mon-fri = "18:00-20:00", sat-sun = "08:00-12:00" }',
            start="2026-10-24",
            zone="Europe/London",
        ),
        SPECS,
        hours_from("2026-10-24"),
        "2026-10-24",
    ),
    "clocks_go_forward_over_the_weekend": Trial(
        # It begins on 28 March 2027 at 01:00 UTC (the same database).
        job_text(
            *PORT_AND_STARBOARD,
            hours='{ sat-sun = "08:00-12:00" }',
            start="2027-03-27",
            done_by="2027-04-10",
            zone="Europe/London",
            people=2,
        ),
        SPECS,
        hours_from("2027-03-27"),
        "2027-03-27",
    ),
    "a_damp_spell_shuts_two_days": Trial(
        job_text(SOLO, hours=DAILY), SPECS, hours_from("2026-10-19", damp_spell)
    ),
    "cold_so_the_clocks_run_long": Trial(
        job_text(SOLO, hours=DAILY), BY_TEMPERATURE, hours_from("2026-10-19", cold)
    ),
    "good_only_because_the_tent_is_warmer": Trial(
        job_text(SOLO, warmer="5 K"), SPECS, hours_from("2026-10-19", raw)
    ),
    "tape_on_the_neighbour": Trial(
        job_text(
            section("hull-port", "primer*2", beside=("hull-starboard",)),
            section("hull-starboard", "primer"),
            hours=DAILY,
            people=2,
        ),
        SPECS,
        FAIR,
        exact=False,
    ),
    "done_once_it_can_be_handled": Trial(
        job_text(SOLO, more='done_when = "handle"', done_by="2026-10-21"), SPECS, FAIR
    ),
}


@dataclass(frozen=True, slots=True)
class Worked:
    """A plan done on paper: which steps it must have, and when it ends.

    Attributes:
        trial: the job.
        coats: start of each coat of `hull-port`, in UTC.
        sandings: how many sandings.
        finish: when the last coat is cured, in UTC.
    """

    trial: Trial
    coats: tuple[str, ...]
    sandings: int
    finish: str


WORKED: dict[str, Worked] = {
    # One person, 17:00 to 21:00 every day, window 6 h to 48 h, cured 48 h after the coat's end.
    # Monday 19: mix 17:00-17:15, coat 17:15-18:15. Window: opens 18:15 + 6 h = Tuesday 00:15,
    # which is night; closes 17:15 + 48 h = Wednesday 17:15.
    # Tuesday 20: mix 17:00-17:15 (not before, the pot lives 2 h and Monday's span ends at 21:00),
    # coat 17:15-18:15, inside the window. Cured: Tuesday 18:15 + 48 h = Thursday 22, 18:15.
    "the_next_evening_is_inside_the_window": Worked(
        Trial(job_text(SOLO), SPECS, FAIR),
        ("2026-10-19T17:15+00:00", "2026-10-20T17:15+00:00"),
        0,
        "2026-10-22T18:15+00:00",
    ),
    # Saturdays 08:00 to 13:00 only. Saturday 24: mix 08:00, coat 08:15-09:15. Opens 15:15, after
    # the day's end; closes Monday 26, 08:15: missed. So Saturday 31: sand 3 h, 08:00-11:00, mix
    # 11:00-11:15 (one person; mixed before the sanding, at 08:00, the pot would be dead at 10:15),
    # coat 11:15-12:15. Cured: 12:15 + 48 h = Monday 2 November, 12:15.
    "a_missed_window_costs_a_sanding": Worked(
        TRIALS["weekends_only_so_a_window_is_missed"],
        ("2026-10-24T08:15+00:00", "2026-10-31T11:15+00:00"),
        1,
        "2026-11-02T12:15+00:00",
    ),
    # Window 6 h to 30 h. Monday and Thursday 08:00 to 10:00, Friday 08:00 to 18:00.
    # Begun on Monday 19 at 08:15, the window closes on Tuesday at 14:15, and 3 h of sanding do not
    # fit into Thursday's 2 h: Friday sand 08:00-11:00, mix -11:15, coat 11:15-12:15, cured Sunday
    # 12:15. Begun on Thursday 22 at 08:15 (mix 08:00), it opens at 15:15 and closes on Friday at
    # 14:15: mix 08:00, coat 08:15-09:15 without a sanding. Cured: Friday 09:15 + 48 h = Sunday 25,
    # 09:15, three hours earlier for beginning three days later. (A later start on Thursday,
    # up to 09:00, gives the same finish.)
    "beginning_later_saves_the_sanding": Worked(
        Trial(
            job_text(
                SOLO,
                hours='{ mon = "08:00-10:00", thu = "08:00-10:00", fri = "08:00-18:00" }',
            ),
            SHORT_WINDOW,
            FAIR,
        ),
        ("2026-10-22", "2026-10-23T08:15+00:00"),
        0,
        "2026-10-25T09:15+00:00",
    ),
}
