"""Turns what the outlook's trial found into figures with their targets, and prints them.

Hours are local standard time. Day and night are those of the time that is spoken about (night:
18:00 to 06:00), not of the origin.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from outlook_judge import (
    LEADS_H,
    MOVING,
    PAINTER,
    QUANTITIES,
    SIMPLE,
    SPANS_H,
    Asked,
    brier,
    chance_of,
    skill,
    tenths,
)
from outlook_trial import ANSWER, HOLD, MODES, SCORE, Found

GROUPS = ("enclosures", "office room", "prairie", "airfield", "grass")
HELD = (77.0, 83.0)
LEAST_CASES = 50
LEAST_BREAKS = 5
CHANCE_OF_A_HOLD = 0.2
ROWS = np.ndarray[Any, np.dtype[Any]]


@dataclass(frozen=True)
class Figure:
    """One measured figure.

    Attributes:
        key: its name, the same in every run.
        value: of it.
        cases: that it rests on.
        least, most: the target, None where there is none on that side.
        error: one standard deviation of chance, as if the cases were independent.
    """

    key: str
    value: float
    cases: int
    least: float | None = None
    most: float | None = None
    error: float = 0.0

    @property
    def aimed(self) -> bool:
        """Whether it has a target."""
        return self.least is not None or self.most is not None

    @property
    def met(self) -> bool:
        """Whether the target is met; without one, yes."""
        return (self.least is None or self.value >= self.least) and (
            self.most is None or self.value <= self.most
        )

    @property
    def mark(self) -> str:
        """Return `!` for a target missed, `?` for one missed by no more than two chance errors."""
        if self.met:
            return " "
        slack = 2.0 * self.error
        low = self.least is None or self.value >= self.least - slack
        high = self.most is None or self.value <= self.most + slack
        return "?" if low and high else "!"


@dataclass(frozen=True)
class Table:
    """Figures that are printed side by side.

    Attributes:
        title: above it.
        heads: of the columns.
        rows: label and one figure or None a column.
        digits: after the point.
    """

    title: str
    heads: tuple[str, ...]
    rows: list[tuple[str, list[Figure | None]]]
    digits: int = 1


def tables(found: Found) -> list[Table]:
    """Return every table of the trial."""
    scores = np.array(found.scores, dtype=SCORE)
    answers = np.array(found.answers, dtype=ANSWER)
    holds = np.array(found.holds, dtype=HOLD)
    made = [_bands(scores), *_sharpness(scores), _inside(scores, answers), *_by_hour(scores)]
    made += [_young(scores), *_told(answers), _usual(answers), _skill(answers), _holds(holds)]
    return [*made, _recent(found), _refused(found)]


def _parts(rows: ROWS) -> Iterator[tuple[str, ROWS]]:
    """Yield the rows by group and mode with a name for each part."""
    for group, name in enumerate(GROUPS):
        for mode, how in enumerate(MODES):
            part = rows[(rows["group"] == group) & (rows["mode"] == mode)]
            if len(part):
                yield f"{name}, {how}", part


def _night(part: ROWS, lead_h: int) -> Any:
    hour = (part["hour"] + lead_h) % 24.0
    return (hour >= 18.0) | (hour < 6.0)


def _inside_band(part: ROWS, quantity: int, lead: int) -> Any:
    came = part["came"][:, quantity, lead]
    low, high = part["low"][:, quantity, lead], part["high"][:, quantity, lead]
    return np.where(np.isfinite(came) & np.isfinite(low), (came >= low) & (came <= high), np.nan)


def _share(key: str, held: Any, target: tuple[float, float] | None = HELD) -> Figure | None:
    """Return the share in per cent of what is finite, None where there is nothing."""
    fine = held[np.isfinite(held)]
    if not len(fine):
        return None
    least, most = target or (None, None)
    mean = float(fine.mean())
    return Figure(key, 100.0 * mean, len(fine), least, most, _chance(mean, len(fine)))


def _chance(share: float, cases: int) -> float:
    """Return the standard deviation of a share of independent cases, in points."""
    return 100.0 * chance_of(share, cases)


def _bands(scores: ROWS) -> Table:
    heads = tuple(f"{when} {hours} h" for when in ("day", "night") for hours in LEADS_H)
    rows = []
    for name, part in _parts(scores):
        for quantity, what in enumerate(QUANTITIES):
            cells = []
            for when in ("day", "night"):
                for lead, hours in enumerate(LEADS_H):
                    at = _night(part, hours) == (when == "night")
                    key = f"holds/{name}/{what}/{when} {hours} h"
                    cells.append(_share(key, _inside_band(part, quantity, lead)[at]))
            if any(cells):
                rows.append((f"{name}: {what}", cells))
    return Table("Bands of 80 % held, % (target 77 to 83)", heads, rows)


def _sharpness(scores: ROWS) -> list[Table]:
    """CRPS and root mean square error, beside the best simple forecaster's of each cell."""
    heads = tuple(f"{hours} h" for hours in LEADS_H)
    own, ratios, errors, wins = [], [], [], []
    for name, part in _parts(scores):
        for quantity, what in enumerate(QUANTITIES):
            if not np.isfinite(part["came"][:, quantity]).any():
                continue
            cells: list[list[Figure | None]] = [[], [], [], []]
            for lead, hours in enumerate(LEADS_H):
                simple = part["simple_crps"][:, quantity, lead]
                crps = part["crps"][:, quantity, lead]
                error = (part["middle"] - part["came"])[:, quantity, lead]
                bare = part["simple_error"][:, quantity, lead]
                fine = np.isfinite(simple).all(axis=1) & np.isfinite(crps)
                if not fine.any():
                    for each in cells:
                        each.append(None)
                    continue
                count = int(fine.sum())
                best = simple[fine].mean(axis=0)
                squares = np.sqrt((bare[fine] ** 2).mean(axis=0))
                mean = float(crps[fine].mean())
                rms = float(np.sqrt((error[fine] ** 2).mean()))
                at = f"{name}/{what}/{hours} h"
                cells[0].append(Figure(f"crps/{at}", mean, count))
                cells[1].append(
                    Figure(f"crps over best/{at}", mean / float(best.min()), count, most=1.02)
                )
                cells[2].append(
                    Figure(f"rms over best/{at}", rms / float(squares.min()), count, most=1.02)
                )
                cells[3].append(Figure(f"which/{at}", float(np.argmin(best)), count))
            label = f"{name}: {what}"
            for table, row in zip((own, ratios, errors, wins), cells, strict=True):
                table.append((label, row))
    names = ", ".join(f"{number} {name}" for number, name in enumerate(SIMPLE))
    return [
        Table("CRPS of the draws (K, %RH): mean |x − y| − ½ mean |x − x′|", heads, own, 3),
        Table("CRPS over the best simple forecaster's (target at most 1.02)", heads, ratios, 3),
        Table(
            "RMS error of the middle over the best one's (target at most 1.02)", heads, errors, 3
        ),
        Table(f"Which simple forecaster was best by CRPS: {names}", heads, wins, 0),
    ]


def _inside(scores: ROWS, answers: ROWS) -> Table:
    """What holds where the margin is inside its 3 K now, by less than 3 K."""
    heads = tuple(f"{hours} h" for hours in LEADS_H)
    rows: list[tuple[str, list[Figure | None]]] = []
    margin = QUANTITIES.index("margin")
    for name, part in _parts(scores):
        near = part[(part["margin"] >= 3.0) & (part["margin"] < 6.0)]
        if len(near) < LEAST_CASES:
            continue
        held, high, under = [], [], []
        for lead, hours in enumerate(LEADS_H):
            at = f"inside within 3 K/{name}/{hours} h"
            off = (near["middle"] - near["came"])[:, margin, lead]
            held.append(_share(f"{at}/holds", _inside_band(near, margin, lead), None))
            high.append(Figure(f"{at}/middle too high by", float(np.nanmean(off)), len(off)))
            under.append(_share(f"{at}/came under the middle", np.where(
                np.isfinite(off), off > 0.0, np.nan), None))  # fmt: skip
        rows += [(f"{name}: margin's band holds, %", held)]
        rows += [(f"{name}: middle too high by, K", high), (f"{name}: came under it, %", under)]
    for name, part in _parts(answers):
        near = part[(part["limit"] == 0) & (part["room"] < 3.0)]
        if not name.startswith(("enclosures", "grass")):
            continue
        told_row: list[Figure | None] = []
        came_row: list[Figure | None] = []
        for hours in LEADS_H:
            asked = near[near["span"] == hours]
            if len(asked) < LEAST_CASES:
                told_row.append(None)
                came_row.append(None)
                continue
            came = 100.0 * float(np.mean(asked["came_h"] <= hours))
            at = f"inside within 3 K/{name}/{hours} h"
            told = 100.0 * float(asked["told"].mean())
            told_row.append(Figure(f"{at}/told", told, len(asked)))
            came_row.append(Figure(f"{at}/came", came, len(asked)))
        if not any(told_row):
            continue
        rows += [(f"{name}: break told, %", told_row), (f"{name}: break came, %", came_row)]
    return Table("Given that the margin is inside now, 3 to 6 K", heads, rows)


def _by_hour(scores: ROWS) -> list[Table]:
    blocks = tuple(range(0, 24, 3))
    heads = tuple(f"{hour:02}–{hour + 3:02}" for hour in blocks)
    held, high = [], []
    for name, part in _parts(scores):
        quantity = QUANTITIES.index("margin")
        if not np.isfinite(part["came"][:, quantity]).any():
            quantity = QUANTITIES.index("air")
        lead = LEADS_H.index(6)
        off = (part["middle"] - part["came"])[:, quantity, lead]
        rows: tuple[list[Figure | None], list[Figure | None]] = ([], [])
        for hour in blocks:
            at = (part["hour"] >= hour) & (part["hour"] < hour + 3)
            key = f"by hour/{name}/{QUANTITIES[quantity]}/{hour:02}"
            rows[0].append(_share(f"{key}/holds", _inside_band(part, quantity, lead)[at], None))
            fine = off[at][np.isfinite(off[at])]
            rows[1].append(
                Figure(f"{key}/middle too high by", float(fine.mean()), len(fine))
                if len(fine) else None
            )  # fmt: skip
        held.append((f"{name}: {QUANTITIES[quantity]}", rows[0]))
        high.append((f"{name}: {QUANTITIES[quantity]}", rows[1]))
    return [
        Table("Bands of 80 % held 6 h ahead by the origin's hour, %", heads, held),
        Table("Middle 6 h ahead too high by, K, by the origin's hour", heads, high, 2),
    ]


def _young(scores: ROWS) -> Table:
    heads = tuple(f"{what} 6 h" for what in QUANTITIES)
    rows = []
    for name, part in _parts(scores[scores["group"] == 0]):
        for label, low, high in (
            ("1.5 to 3 d of log", 0, 3),
            ("3 to 6 d", 3, 6),
            ("over 6 d", 6, 99),
        ):
            some = part[(part["days"] >= low) & (part["days"] < high)]
            cells = [
                _share(f"age/{name}/{label}/{what}", _inside_band(some, q, LEADS_H.index(6)), None)
                for q, what in enumerate(QUANTITIES)
            ]
            rows.append((f"{name}: {label}", cells))
    return Table("Bands of 80 % held by age of the log, %", heads, rows)


def _told(answers: ROWS) -> list[Table]:
    """Told against came by tenths; the target counts where a tenth has 50 cases."""
    heads = tuple(f"{10 * n}–{10 * n + 10}%" for n in range(10))
    rows: list[tuple[str, list[Figure | None]]] = []
    parts = [(name, part) for name, part in _parts(answers)]
    fixed = answers[(answers["group"] == 0) & (answers["limit"] < len(PAINTER))]
    parts += [(f"{name}, 3 K 85 % 10 °C", part) for name, part in _parts(fixed)]
    for name, part in parts:
        for span in SPANS_H:
            asked = part[part["span"] == span]
            if len(asked):
                rows += _told_rows(f"{name}: {span} h", asked, span, heads)
    title = "Told less came by tenths of probability, points (target ±3 from 50 cases on)"
    return [Table(title, heads, rows)]


def _told_rows(
    name: str, asked: ROWS, span: int, heads: tuple[str, ...]
) -> list[tuple[str, list[Figure | None]]]:
    gap: list[Figure | None] = [None] * 10
    error: list[Figure | None] = [None] * 10
    for each in tenths(asked["told"], asked["came_h"] <= span):
        number = min(int(each.told * 10.0), 9)
        aimed = 3.0 if each.cases >= LEAST_CASES else None
        least = None if aimed is None else -aimed
        key = f"told less came/{name}/{heads[number]}"
        off, chance = 100.0 * (each.told - each.came), 100.0 * each.error
        gap[number] = Figure(key, off, each.cases, least, aimed, chance)
        error[number] = Figure(f"{key}/chance", chance, each.cases)
    return [(f"{name}, told less came", gap), (f"{name}, chance error (1 σ)", error)]


def _usual(answers: ROWS) -> Table:
    """Return told and came by how often this log's own days broke the limit from this hour on."""
    spans = ((0.0, 1 / 3, "seldom"), (1 / 3, 2 / 3, "at times"), (2 / 3, 1.1, "usually"))
    heads = tuple(each for _, _, n in spans for each in (f"{n} told", "came", "asked"))
    rows: list[tuple[str, list[Figure | None]]] = []
    fixed = answers[(answers["group"] == 0) & (answers["limit"] < len(PAINTER))]
    for name, part in _parts(fixed):
        for span in SPANS_H:
            cells: list[Figure | None] = []
            for low, high, how in spans:
                asked = part[(part["span"] == span) & (part["days"] >= low)]
                asked = asked[asked["days"] < high]
                count = len(asked)
                if not count:
                    cells += [None, None, None]
                    continue
                key = f"usual/{name}/{span} h/{how}"
                came = 100.0 * float(np.mean(asked["came_h"] <= span))
                cells += [
                    Figure(f"{key}/told", 100.0 * float(asked["told"].mean()), count),
                    Figure(f"{key}/came", came, count),
                    Figure(f"{key}/asked", float(count), count),
                ]
            rows.append((f"{name}: {span} h", cells))
    title = "Told and came, %, by how often the log's own days broke it (3 K, 85 %, 10 °C)"
    return Table(title, heads, rows)


def _limits(name: str) -> tuple[Asked, ...]:
    if name.startswith(("enclosures", "grass")):
        return PAINTER + MOVING
    return (PAINTER[1], *MOVING[1:])


def _skill(answers: ROWS) -> Table:
    heads = ("asked", "came %", "Brier", "own days", "stays", "skill: days", "skill: stays")
    rows: list[tuple[str, list[Figure | None]]] = []
    for name, part in _parts(answers):
        texts = [each.text() for each in _limits(name)]
        if name.startswith("office"):
            texts = ["air temp min 0.5 off", "humidity max 2 off"]
        for limit, text in enumerate(texts):
            for span in SPANS_H:
                asked = part[(part["limit"] == limit) & (part["span"] == span)]
                came = asked["came_h"] <= span
                if len(asked) < LEAST_CASES or came.sum() < LEAST_BREAKS:
                    continue
                scores = [
                    brier(told, came)
                    for told in (asked["told"], asked["days"], np.zeros(len(asked)))
                ]
                key, count = f"break/{name}/{text}/{span} h", len(asked)
                values = (
                    float(count), 100.0 * float(came.mean()), *scores,
                    skill(scores[0], scores[1]), skill(scores[0], scores[2]),
                )  # fmt: skip
                cells: list[Figure | None] = [
                    Figure(f"{key}/{head}", value, count, 1e-9 if head == "skill: days" else None)
                    for head, value in zip(heads, values, strict=True)
                ]
                rows.append((f"{name}: {text}, {span} h", cells))
    return Table("Breaks: Brier score and skill (target: skill over own days > 0)", heads, rows, 3)


def _holds(holds: ROWS) -> Table:
    """Return how a HOLD from a probability of 0.2 on fares, all three limits together."""
    heads = ("origins", "came %", "named %", "good held %", "false HOLDs %")
    rows: list[tuple[str, list[Figure | None]]] = []
    for mode, how in enumerate(MODES):
        for span in SPANS_H[1:]:
            part = holds[(holds["mode"] == mode) & (holds["span"] == span)]
            if not len(part):
                continue
            held = part["told"] >= CHANCE_OF_A_HOLD
            came = part["came_h"] <= span
            ahead = came & (part["came_h"] >= 1.0)
            key = f"holds of GO/{how}/{span} h"
            cells: list[Figure | None] = [
                Figure(f"{key}/origins", float(len(part)), len(part)),
                Figure(f"{key}/came", 100.0 * float(came.mean()), len(part)),
            ]
            for name, of, share, least, most in (
                ("named", ahead, held, 95.0, None),
                ("good held", ~came, held, None, 15.0),
                ("false", held, ~came, None, None),
            ):
                count = int(of.sum())
                value = 100.0 * float(share[of].mean()) if count else float("nan")
                error = _chance(value / 100.0, count) if count else 0.0
                cells.append(Figure(f"{key}/{name}", value, count, least, most, error))
            rows.append((f"{how}, within {span} h", cells))
    title = "HOLD from 0.2 on (targets: breaks ≥ 1 h ahead named ≥ 95, good origins held ≤ 15)"
    return Table(title, heads, rows)


def _recent(found: Found) -> Table:
    heads = ("HOLDs", "broke in 1 h %", "in 3 h %", "moments", "broke in 1 h %", "in 3 h %")
    rows: list[tuple[str, list[Figure | None]]] = []
    for label, first in (("whole log", False), ("its first day", True)):
        some = [each for each in found.recent if not first or each[0] < 288]
        cells: list[Figure | None] = []
        for what, came in (
            ("episodes", np.array([each[2] for each in some if each[1]])),
            ("moments", np.array([each[2] for each in some])),
        ):
            key, count = f"recent trend/{label}/{what}", len(came)
            cells.append(Figure(key, float(count), count))
            for hours, least in ((1, 60.0), (3, None)):
                value = 100.0 * float(np.mean(came <= hours)) if count else float("nan")
                error = _chance(value / 100.0, count) if count else 0.0
                cells.append(Figure(f"{key}/broke in {hours} h", value, count, least, None, error))
        rows.append((label, cells))
    return Table("HOLDs by the last hour's trend alone (target: broke ≥ 60)", heads, rows)


def _refused(found: Found) -> Table:
    heads = ("median ms", "longest ms", "asked", "no use %")
    rows = []
    for how, spent in zip(MODES, found.spent_s, strict=True):
        if not spent:
            continue
        refused = 100.0 * found.refused / len(spent) if how == MODES[1] else 0.0
        count = len(spent)
        rows.append((how, [
            Figure(f"cost/{how}/median", 1000.0 * float(np.median(spent)), count, None, 500.0),
            Figure(f"cost/{how}/longest", 1000.0 * max(spent), count),
            Figure(f"cost/{how}/asked", float(count), count),
            Figure(f"cost/{how}/no use", refused, count),
        ]))  # fmt: skip
    return Table("Processor time an outlook (target ≤ 500), forecast of no use", heads, rows, 0)


Kept = dict[str, dict[str, list[float | None]]]  # by table and row


def kept(made: list[Table]) -> Kept:
    """Return the figures as they are stored, chance errors left out."""
    return {
        table.title: {
            label: [None if each is None else round(each.value, 3) for each in cells]
            for label, cells in table.rows
            if not label.endswith("(1 σ)")
        }
        for table in made
    }


def printed(table: Table, before: Kept) -> Iterator[str]:
    """Yield a table's lines; under each row what stood before where it differs, `!` misses."""
    wide = max(10, *(len(head) + 1 for head in table.heads))
    label_wide = max([len(label) for label, _ in table.rows] + [10]) + 1
    rows = before.get(table.title, {})
    yield f"\n{table.title}"
    yield " " * label_wide + "".join(f"{head:>{wide}}" for head in table.heads)
    for label, cells in table.rows:
        now = "".join(
            f"{'–':>{wide}}"
            if each is None
            else f"{each.value:>{wide - 1}.{table.digits}f}{each.mark}"
            for each in cells
        )
        yield f"{label:<{label_wide}}{now}".rstrip()
        old = rows.get(label, [])
        if old and any(
            value is not None and each is not None and abs(value - each.value) > 1e-3
            for value, each in zip(old, cells, strict=True)
        ):
            was = "".join(
                f"{'–':>{wide}}" if value is None else f"{value:>{wide - 1}.{table.digits}f} "
                for value in old
            )
            yield f"{'  before':<{label_wide}}{was}".rstrip()


def counted(made: list[Table], before: Kept) -> Iterator[str]:
    """Yield how many targets each kind of figure met now and before, and missed beyond chance."""
    yield f"\n{'Targets met':<22}{'now':>14}{'before':>14}{'missed clearly':>16}"
    for table in made:
        now, old = [], []
        for label, cells in table.rows:
            was = before.get(table.title, {}).get(label, [None] * len(cells))
            for each, value in zip(cells, was, strict=True):
                if each is not None and each.aimed:
                    now.append(each)
                    if value is not None:
                        old.append(replace(each, value=value))
        if now:
            kind = now[0].key.split("/")[0]
            told = f"{sum(each.met for each in old)} of {len(old)}" if old else "–"
            met = f"{sum(each.met for each in now)} of {len(now)}"
            yield f"{kind:<22}{met:>14}{told:>14}{sum(each.mark == '!' for each in now):>16}"
