"""How long a job takes to plan: by list order, by the solver, and how far from the best it is.

Run: python -m benchmarks.plan [--limit 10] [--large]
"""

from __future__ import annotations

import argparse
import math
import resource
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

from plan_jobs import DAILY, FLAT, PRIMER, TOPCOAT, hours_from, job_text, section, spec_text

from monitor.config.load import load_config_file
from monitor.job.beside import JobKeeper
from monitor.job.make import _relaid, job_at_hand
from monitor.job.solver import bettered
from rules.job.list_order import list_plan, surer
from rules.job.model import SANDING_S
from rules.job.plan import lower_bound, plan_of, risks
from rules.job.problem import lay_out
from tests.monitor.job.test_job_shop import shop

EVENINGS = '{ mon-fri = "17:00-21:00", sat = "08:00-12:00, 13:00-18:00" }'


def weather(at: datetime) -> tuple[float, float]:
    """Return invented weather: mild days, damp nights, spells of a week."""
    day = at.toordinal() + at.hour / 24
    swing = math.sin(2 * math.pi * (day - 0.4))
    temp_c = 16 + 4 * swing + 2 * math.sin(day / 5)
    return round(temp_c, 1), round(60 - 15 * swing + 10 * math.sin(day / 3.3), 1)


def write_job(
    folder: Path, sections: int, coats: int, sanded: bool, hours: str
) -> tuple[Path, Path]:
    """Write a job of so many sections and coats, its specs and its weather."""
    rows = {}
    for key, taken in FLAT.items():
        number = float(taken.split()[0])
        rows[key] = {"10 degC": f"{1.6 * number:.2f} h", "20 degC": f"{number:.2f} h",
                     "30 degC": f"{0.6 * number:.2f} h"}  # fmt: skip
    for name, stem, family in (
        (PRIMER, "quick-primer", "two-pack-epoxy"),
        (TOPCOAT, "quick-topcoat", "two-pack-polyurethane"),
    ):
        text = spec_text(stem, family, rows=rows, humidity_until="touch-dry")
        (folder / name).write_text(text, "utf-8")
    entries = ["primer*2", *["sand"] * sanded, f"topcoat*{coats - 2}"]
    parts = [
        section(f"s{n}", *entries).replace('takes = "1 h"', f'takes = "{1 + 0.25 * (n % 4):g} h"')
        for n in range(sections)
    ]
    job, forecast = folder / "job.toml", folder / "forecast.csv"
    job.write_text(job_text(*parts, hours=hours, people=2, done_by="2026-12-20"), "utf-8")
    lines = ["time,temperature,humidity"]
    for hour in hours_from("2026-10-19", weather, days=70):
        at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=hour.time_s)
        lines.append(f"{at:%Y-%m-%dT%H:%MZ},{hour.temp_c:g},{hour.rh_pct:g}")
    forecast.write_text("\n".join(lines) + "\n", "utf-8")
    return job, forecast


def cpu_s(who: int) -> float:
    """Return the processor time that this process, or its children, took [s]."""
    used = resource.getrusage(who)
    return used.ru_utime + used.ru_stime


def measure(sections: int, coats: int, sanded: bool, hours: str, limit_s: float) -> None:
    """Print one job's figures."""
    with tempfile.TemporaryDirectory() as folder:
        job_file, forecast = write_job(Path(folder), sections, coats, sanded, hours)
        wall, cpu = time.perf_counter(), cpu_s(resource.RUSAGE_SELF)
        hand = job_at_hand(
            job_file, forecast=forecast, weather_year=None, db=Path(folder) / "none.db"
        )
        problem = lay_out(hand.job, hand.ahead, {}, hand.from_s, SANDING_S)
        layout = list_plan(problem)
        if layout is None:
            raise SystemExit("no list order finds room")
        bound, first = lower_bound(problem), layout.finish
        plan_of(hand.job, problem, surer(problem, layout, risks(hand.job, problem, hand.ahead)),
                hand.ahead, bound)  # fmt: skip
        listed = time.perf_counter() - wall, cpu_s(resource.RUSAGE_SELF) - cpu
        wall = time.perf_counter()
        cpu = cpu_s(resource.RUSAGE_CHILDREN) + cpu_s(resource.RUSAGE_SELF)
        left_s = limit_s
        if sections * coats > 40:
            layout, left_s = _relaid(problem, layout, limit_s)
        answer = bettered(problem, layout, left_s) if left_s > 0.0 else None
        solved = (
            time.perf_counter() - wall,
            cpu_s(resource.RUSAGE_CHILDREN) + cpu_s(resource.RUSAGE_SELF) - cpu,
        )
        finish = layout.finish
        if answer is not None:
            bound = max(bound, answer[1])
            finish = min(finish, answer[0].finish if answer[0] is not None else finish)
        days, gap = finish / 96, 100 * max(0, finish - bound) / finish
        print(
            f"{sections} x {coats} {'sanded' if sanded else 'plain'} "
            f"{'daily' if hours == DAILY else 'evenings'}: list {listed[0]:.2f} s wall "
            f"{listed[1]:.2f} s cpu {first / 96:.2f} d; solver {solved[0]:.2f} s wall "
            f"{solved[1]:.2f} s cpu {days:.2f} d gap {gap:.1f} % "
            f"{resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024:.0f} MiB at most"
        )


CONFIG = """
[job]
file = "{job}"
{year}
[forecast]
file = "{forecast}"
[[enclosure]]
name = "polytunnel"
[[enclosure.point]]
name = "air-bow"
quantity = "air_temp"
unit = "degC"
topic = "shed/bow"
"""


def replan(words: str, job: Path, forecast: Path, at: str, year: Path | None = None) -> None:
    """Print how long it takes from an event to the line NEXT, by the process beside the watch."""
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder) / "config.toml"
        line = "" if year is None else f'weather_year = "{year}"'
        config.write_text(CONFIG.format(job=job, forecast=forecast, year=line), "utf-8")
        now_s = datetime.fromisoformat(at).timestamp()
        keeper = JobKeeper.of(
            load_config_file(config), config, Path(folder) / "log.db", lambda: now_s
        )
        wall, cpu = time.perf_counter(), cpu_s(resource.RUSAGE_CHILDREN)
        events = 0
        while keeper is not None and not (keeper.steps or keeper.why):
            keeper.look(events)
            time.sleep(0.01)
        why = keeper.why if keeper is not None else "no job"
        print(
            f"replan {words}: {time.perf_counter() - wall:.2f} s wall "
            f"{cpu_s(resource.RUSAGE_CHILDREN) - cpu:.2f} s cpu, {why or 'NEXT'}"
        )


def replans() -> None:
    """Print replanning of the workboat, and of the large job where hours are all known."""
    boat = ROOT / "examples" / "workboat"
    files = boat / "workboat.toml", boat / "creek.csv", "2026-05-04T16:30+00:00"
    replan("workboat, forecast", *files)
    replan("workboat, forecast and weather year", *files, boat / "creek.epw")
    with tempfile.TemporaryDirectory() as folder:
        large = write_job(Path(folder), 12, 6, True, DAILY)
        replan("12 x 6 sanded daily", *large, "2026-10-19T06:00+00:00")


def main() -> None:
    """Print the figures of all sizes, and of a published shop that takes longer than a test may."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--limit", type=float, default=10.0)
    parser.add_argument("--large", action="store_true")
    options = parser.parse_args()
    for sections, coats, sanded in ((4, 4, False), (6, 4, False), (12, 6, True)):
        for hours in (DAILY, EVENINGS):
            if sections < 12 or options.large:
                measure(sections, coats, sanded, hours, options.limit)
    replans()
    if options.large:
        from monitor.job.solver import job_shop_makespan

        wall = time.perf_counter()
        found = job_shop_makespan(shop("ft10")[0], 60.0)
        print(f"ft10 (930): {found} in {time.perf_counter() - wall:.1f} s")


if __name__ == "__main__":
    main()
