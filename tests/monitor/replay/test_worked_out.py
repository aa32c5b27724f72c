"""A recording with a dew point or a wet bulb and no humidity is judged as one with humidity is.

The humidity beside is made by other equations: the Magnus form and the psychrometer of WMO-No. 8
(2018), vol. I, ch. 4, Annex 4.B, e = e_w(t_w) - 6.53e-4 (1 + 0.000944 t_w) p (t - t_w).
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from command import Ran, filmcall


def magnus_hpa(temp_c: float) -> float:
    return 6.112 * math.exp(17.62 * temp_c / (243.12 + temp_c))


def by_dew(air_c: float, dew_c: float) -> float:
    return 100.0 * magnus_hpa(dew_c) / magnus_hpa(air_c)


def by_bulb(air_c: float, bulb_c: float) -> float:
    coefficient = 6.53e-4 * (1.0 + 0.000944 * bulb_c)
    hpa = magnus_hpa(bulb_c) - coefficient * 1013.25 * (air_c - bulb_c)
    return 100.0 * hpa / magnus_hpa(air_c)


MINUTES = 240
HEADS = {"dew": "Dew point (°C)", "wet": "Wet bulb (°C)", "rh": "RH (%)"}


def course(kind: str) -> list[tuple[float, float, float, float]]:
    """Air, dew point or wet bulb, its humidity, hull: from well inside the limits into damp."""
    rows = []
    for n in range(MINUTES):
        noise = 0.02 * ((n * 7) % 5 - 2), 0.02 * ((n * 11) % 5 - 2), 0.02 * ((n * 3) % 5 - 2)
        air = 18.0 - 2.0 * n / MINUTES + noise[0]
        begin, rise = (7.0, 6.0) if kind == "dew" else (11.5, 4.0)
        damp = begin + rise * n / MINUTES + noise[1]
        rh = by_dew(air, damp) if kind == "dew" else by_bulb(air, damp)
        rows.append((air, damp, rh, air - 1.5 + noise[2]))
    return rows


def recording(folder: Path, kind: str, *columns: str) -> Path:
    path = folder / f"{kind}-{'-'.join(columns)}.csv"
    lines = ["time,Air temp (°C)," + ",".join(HEADS[c] for c in columns) + ",Hull temp (°C)"]
    for n, (air, damp, rh, hull) in enumerate(course(kind)):
        told = ",".join(f"{rh:.2f}" if c == "rh" else f"{damp:.2f}" for c in columns)
        at = f"2026-05-04T{8 + n // 60:02d}:{n % 60:02d}:00Z"
        lines.append(f"{at},{air:.2f},{told},{hull:.2f}")
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


def replayed(path: Path, *words: str) -> Ran:
    ran = filmcall("replay", str(path), "--jsonl", *words)
    assert ran.code == 0, ran.err
    return ran


def calls(ran: Ran) -> list[tuple[str, str]]:
    told = [json.loads(line) for line in ran.out.splitlines()]
    return [(each["time"], each["call"]) for each in told]


def minute(moment: str) -> int:
    return int(moment[11:13]) * 60 + int(moment[14:16])


@pytest.mark.parametrize("kind", ["dew", "wet"])
def test_the_calls_are_those_of_the_humidity_and_the_intake_says_so(
    kind: str, tmp_path: Path
) -> None:
    told = replayed(recording(tmp_path, kind, kind))
    beside = replayed(recording(tmp_path, kind, "rh"))
    assert calls(told) == calls(beside)
    assert {"GO", "HOLD", "STOP"} <= {call for _, call in calls(told)}
    said = [line for line in told.err.splitlines() if "worked out" in line]
    assert len(said) == 1
    assert HEADS[kind] in said[0]


def test_where_humidity_is_there_the_dew_point_changes_nothing(tmp_path: Path) -> None:
    both = replayed(recording(tmp_path, "dew", "rh", "dew"))
    assert calls(both) == calls(replayed(recording(tmp_path, "dew", "rh")))
    assert "worked out anew from air and humidity" in both.err


def config(folder: Path, kind: str, path: Path) -> Path:
    out = folder / f"{kind}.toml"
    ran = filmcall("setup", str(path), "--yes", "--out", str(out))
    assert ran.code == 0, ran.err
    return out


@pytest.mark.parametrize(("kind", "source"), [("dew", "dew-point"), ("wet", "wet-bulb")])
def test_setup_writes_what_it_is_worked_out_from_and_the_log_can_be_verified(
    kind: str, source: str, tmp_path: Path
) -> None:
    path = recording(tmp_path, kind, kind)
    made = config(tmp_path, kind, path)
    assert f'worked_out_from = "{source}"' in made.read_text("utf-8")
    db = ("--db", str(tmp_path / "log.db"))
    general = ("--spec", "polyurethane-topcoat")
    ran = replayed(path, "--config", str(made), *general, *db)
    assert calls(ran) == calls(replayed(path, *general))
    verified = filmcall("sessions", "verify", *db)
    assert verified.code == 0, verified.out + verified.err


def test_the_invented_tent_tells_no_dew_point(tmp_path: Path) -> None:
    made = config(tmp_path, "dew", recording(tmp_path, "dew", "dew"))
    ran = filmcall("simulate", "--config", str(made), "--out", str(tmp_path / "tent.csv"))
    assert ran.code == 2
    assert "works the humidity of air out from a dew-point" in ran.err


def test_the_accuracy_that_the_config_states_is_the_guard(tmp_path: Path) -> None:
    """1.645 hypot(a_surface, a_dew) / sqrt 3 by JCGM 100: the air's own error is no part of it."""
    path = recording(tmp_path, "dew", "dew")
    made = config(tmp_path, "dew", path)
    text = made.read_text("utf-8")
    for dew_k in (0.2, 1.5):
        stated = text.replace(
            'worked_out_from = "dew-point"',
            f'worked_out_from = "dew-point"\naccuracy = "{dew_k} K"',
        )
        made.write_text(stated, "utf-8")
        first = json.loads(replayed(path, "--config", str(made)).out.splitlines()[0])
        margin = next(each for each in first["reasons"] if each["limit"] == "dew_margin_min")
        assert margin["guard"] == pytest.approx(
            1.645 * math.hypot(0.5, dew_k) / math.sqrt(3.0), abs=0.01
        )


def test_a_dew_point_that_stands_still_is_no_humidity_though_its_air_moves_on(
    tmp_path: Path,
) -> None:
    """A dead dew point would make the air drier as it warms, and no figure of it repeats."""
    path = tmp_path / "dead.csv"
    lines = ["time,Air temp (°C),Dew point (°C),Hull temp (°C)"]
    for n in range(720):
        air = 17.0 + 2.0 * math.sin(n / 150) + 0.02 * ((n * 7) % 5 - 2)
        dew = 7.0 + math.sin(n / 130) + 0.1 * ((n * 11) % 5 - 2) if n < 360 else 7.4
        at = f"2026-05-04T{n // 60:02d}:{n % 60:02d}:00Z"
        lines.append(f"{at},{air:.2f},{dew:.1f},{air - 1.5 + 0.02 * ((n * 3) % 5):.2f}")
    path.write_text("\n".join(lines) + "\n", "utf-8")
    ran = replayed(path)
    told = [(minute(at), call) for at, call in calls(ran)]
    assert [call for at, call in told if 30 < at < 360] == []  # GO as long as it lived
    assert [at for at, call in told if call == "HOLD" and 360 <= at <= 420]
    assert told[-1][1] == "HOLD"
    assert "The dew point of 'air' stands still" in ran.err


def test_a_dew_point_without_its_air_is_no_humidity(tmp_path: Path) -> None:
    path = recording(tmp_path, "dew", "dew")
    lines = path.read_text("utf-8").splitlines()
    for n in range(60, 120):
        time, _, dew, hull = lines[n].split(",")
        lines[n] = f"{time},,{dew},{hull}"
    path.write_text("\n".join(lines) + "\n", "utf-8")
    told = calls(replayed(path))
    assert any(call == "HOLD" and 8 * 60 + 59 <= minute(at) <= 9 * 60 + 5 for at, call in told)


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ('worked_out_from = "dew"', "write dew-point or wet-bulb"),
        ('worked_out_from = "dew-point"\ntopic = "shed/dew"', "stands beside a topic"),
        ('worked_out_from = "dew-point"\naccuracy = "3 %"', "accuracy"),
    ],
)
def test_a_config_that_cannot_be_is_refused_by_its_line(
    line: str, why: str, tmp_path: Path
) -> None:
    path = recording(tmp_path, "dew", "dew")
    made = config(tmp_path, "dew", path)
    text = made.read_text("utf-8").replace('worked_out_from = "dew-point"', line)
    made.write_text(text, "utf-8")
    ran = filmcall("replay", str(path), "--config", str(made))
    assert ran.code == 2
    assert why in ran.err
