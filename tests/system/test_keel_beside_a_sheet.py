"""A heavy keel whose probe is silent beside a thin sheet's that speaks, on a damp and warm noon.

The course is invented: each place follows its air by Newton's law of cooling with its own lag, the
keel's 4 h and the sheet's 10 min (judgement, no source). Whether water lay is by the Magnus form
of the dew point (WMO-No. 8, 2021, annex 4.B, coefficients from memory).
"""

from __future__ import annotations

import csv
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from command import filmcall

BEGIN_S = datetime(2026, 10, 13, 8, tzinfo=UTC).timestamp()
KEEL_H, SHEET_H, EVERY_S = 4.0, 1.0 / 6.0, 300.0
SILENT_H, COAT_H, ASKED_H = (27.0, 45.0), (26.0, 26.5), 60.0
CONFIG = """[replay]
time = "time"

[[enclosure]]
name = "tent"
spec = "polyurethane-topcoat"
timezone = "Etc/UTC"
"""
POINTS = (
    ("bow", "air_temp", "degC", ""),
    ("bow", "humidity", "%", ""),
    ("keel", "surface_temp", "degC", 'section = "hull-port"\n'),
    ("sheet", "surface_temp", "degC", 'section = "hull-port"\n'),
)


def at(hour: float) -> str:
    return datetime.fromtimestamp(BEGIN_S + 3600.0 * hour, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def dew_point_c(air_c: np.ndarray, rh_pct: np.ndarray) -> np.ndarray:
    gamma = np.log(rh_pct / 100.0) + 17.62 * air_c / (243.12 + air_c)
    return 243.12 * gamma / (17.62 - gamma)


def behind(air_c: np.ndarray, lag_h: float) -> np.ndarray:
    found = [float(air_c[0])]
    for air in air_c[:-1].tolist():
        found.append(air + (found[-1] - air) * float(np.exp(-EVERY_S / 3600.0 / lag_h)))
    return np.array(found)


@pytest.mark.parametrize(("warmer_k", "damper_pct", "wet"), [(12.0, 22.0, True), (0.0, 0.0, False)])
def test_the_keel_may_have_been_wet_though_the_sheet_was_not(
    warmer_k: float, damper_pct: float, tmp_path: Path, *, wet: bool
) -> None:
    hours = np.arange(0.0, 64.0, EVERY_S / 3600.0)
    noon = np.exp(-(((hours - 33.0) / 2.5) ** 2))
    air_c = 12.0 + 2.0 * np.sin(2.0 * np.pi * (hours + 2.0) / 24.0) + warmer_k * noon
    rh_pct = 65.0 + damper_pct * noon
    keel_c, sheet_c = behind(air_c, KEEL_H) - 0.3, behind(air_c, SHEET_H)
    under = (keel_c < dew_point_c(air_c, rh_pct)) & (hours > COAT_H[1]) & (hours < SILENT_H[1])
    assert bool(under.sum() * EVERY_S > 7200.0) is wet
    assert (sheet_c > dew_point_c(air_c, rh_pct) + 1.0).all(), "what speaks says nothing of water"
    silent = (hours > SILENT_H[0]) & (hours < SILENT_H[1])
    recording, config, db = (tmp_path / name for name in ("tent.csv", "tent.toml", "log.db"))
    with recording.open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["time", "air_temp", "humidity", "keel", "sheet"])
        for hour, air, rh, keel, sheet, gone in zip(
            hours, air_c, rh_pct, keel_c, sheet_c, silent, strict=True
        ):
            said = "" if gone else f"{keel:.2f}"
            rows.writerow([at(hour), f"{air:.2f}", f"{rh:.1f}", said, f"{sheet:.2f}"])
    config.write_text(
        CONFIG
        + "".join(
            f'\n[[enclosure.point]]\nname = "{name}"\nquantity = "{quantity}"\nunit = "{unit}"\n'
            f'column = "{name if quantity == "surface_temp" else quantity}"\n{more}'
            for name, quantity, unit, more in POINTS
        )
    )
    assert filmcall("replay", str(recording), "--config", str(config), "--db", str(db)).code == 0
    hull = ("--enclosure", "tent", "--section", "hull-port", "--db", str(db))
    for kind, hour in zip(("coat-started", "coat-ended"), COAT_H, strict=True):
        assert filmcall("event", kind, *hull, "--at", at(hour)).code == 0
    reply = filmcall("event", "coat-started", *hull, "--at", at(ASKED_H))
    assert reply.code == 0
    assert ("while soft" in reply.out) is wet, reply.out
