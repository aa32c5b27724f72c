"""Judges told probabilities of a break by what came: Brier score beside two baselines, and bins.

The baselines know no more than the outlook did: `days` is the share of the log's own earlier days
on which the limit broke in as long a span from the same hour (with Laplace's rule of succession),
`stays` says that what is inside stays inside, probability 0.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from outlook_scores import NAMES, truth_of

from rules.limits import is_upper
from rules.outlook.draws import Outlook
from rules.outlook.track import CELLS_A_DAY, Track
from rules.vocabulary import LimitName

HOURS = (1, 3, 6, 12)
NEAR = 3.0  # K or %: inside by less is what the painter asks about
EDGES = (0.0, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 1.01)
_COLUMN = {
    LimitName.AIR_TEMP_MIN: NAMES.index("air"),
    LimitName.HUMIDITY_MAX: NAMES.index("humidity"),
    LimitName.DEW_MARGIN_MIN: NAMES.index("dew margin"),
}


@dataclass(frozen=True)
class Asked:
    """A limit whose break is asked about.

    Attributes:
        name: the limit.
        bound: of it, or None where it moves along.
        off: then how far from the present value it stands.
    """

    name: LimitName
    bound: float | None = None
    off: float = 0.0

    def text(self) -> str:
        """Say it in words."""
        what = self.name.value.replace("_", " ")
        return f"{what} {self.bound:g}" if self.bound is not None else f"{what}, {self.off:g} off"


class Answer(NamedTuple):
    """One outlook's probability, the baseline's, what came, room left [K, %] and hour of day."""

    limit: int
    hours: int
    told: float
    days: float
    came: bool
    room: float = 0.0
    hour: float = 0.0


def answers(track: Track, cell: int, outlook: Outlook, asked: tuple[Asked, ...]) -> list[Answer]:
    """Judge one outlook by each limit that is kept when it is made.

    Args:
        track: the whole log, what came included.
        cell: at which the outlook was made.
        outlook: that saw the log up to that cell.
        asked: limits.
    """
    found = []
    truth = truth_of(track)
    for number, ask in enumerate(asked):
        values = truth[:, _COLUMN[ask.name]]
        sign = -1.0 if is_upper(ask.name) else 1.0
        bound = values[cell] - sign * ask.off if ask.bound is None else ask.bound
        if not sign * (values[cell] - bound) >= 0.0:
            continue
        times = outlook.break_times_s(ask.name, bound)
        for hours in HOURS:
            span = 12 * hours
            if times is None or outlook.looked_ahead_s < 3600.0 * hours:
                continue
            course = sign * values[cell + 1 : cell + 1 + span]
            if len(course) < span or not np.isfinite(course).all():
                continue
            days = _on_earlier_days(sign * values, cell, span, ask, sign * bound)
            told = float(np.mean(times <= 3600.0 * hours))
            came = bool((course < sign * bound).any())
            room = float(sign * (values[cell] - bound))
            hour = outlook.made_s / 3600.0 % 24.0
            found.append(Answer(number, hours, told, days, came, room, hour))
    return found


def _on_earlier_days(values: np.ndarray, cell: int, span: int, ask: Asked, bound: float) -> float:
    broke = known = 0
    for then in range(cell - CELLS_A_DAY, -1, -CELLS_A_DAY):
        course = values[then + 1 : then + 1 + span]
        least = bound if ask.bound is not None else values[then] - ask.off
        if np.isfinite(course).all() and np.isfinite(least):
            known += 1
            broke += bool((course < least).any())
    return (broke + 1.0) / (known + 2.0)


def print_reliability(title: str, found: list[Answer], asked: tuple[Asked, ...]) -> None:
    """Print Brier score, skill over both baselines, and told against came by bins."""
    print(f"\n{title}")
    print(f"  {'':<22}{'span':>5}{'asked':>7}{'told':>7}{'came':>7}{'Brier':>8}"
          f"{'days':>8}{'stays':>8}{'skill over both':>17}")  # fmt: skip
    rows = np.array([tuple(each) for each in found], dtype=float)
    for number, ask in enumerate(asked):
        for hours in HOURS:
            part = rows[(rows[:, 0] == number) & (rows[:, 1] == hours)]
            if not len(part):
                continue
            told, days, came = part[:, 2], part[:, 3], part[:, 4]
            own, base, stays = (
                float(np.mean((p - came) ** 2)) for p in (told, days, np.zeros(len(part)))
            )
            skills = [f"{1.0 - own / each:8.2f}" if each > 0.0 else "     –" for each in
                      (base, stays)]  # fmt: skip
            print(
                f"  {ask.text() if hours == HOURS[0] else '':<22}{hours:>3} h{len(part):>7}"
                f"{100 * told.mean():>6.1f}%{100 * came.mean():>6.1f}%{own:>8.4f}{base:>8.4f}"
                f"{stays:>8.4f} {skills[0]}{skills[1]}"
            )
        part = rows[rows[:, 0] == number]
        print(f"    told -> came true, all spans: {_by(part, 2, EDGES)}")
        near = part[part[:, 5] < NEAR]
        print(f"      inside now by under {NEAR:g}: {_by(near, 2, EDGES)}")
        for hours in HOURS[2:]:
            at = part[part[:, 1] == hours]
            if len(at):
                print(
                    f"      {hours} h, made from 0, 3, 6 … o'clock: {_by(at, 6, range(0, 25, 3))}"
                )


def _by(part: np.ndarray, column: int, edges: Iterable[float]) -> str:
    """Told against came by bins of a column of answers."""
    cells = []
    for low, high in pairwise(edges):
        rows = part[(part[:, column] >= low) & (part[:, column] < high)]
        if len(rows):
            told, came = 100 * rows[:, 2].mean(), 100 * rows[:, 4].mean()
            cells.append(f"{told:.0f} -> {came:.0f} % ({len(rows)})")
    return "; ".join(cells)
