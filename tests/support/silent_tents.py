"""The tents of the trial of silent probes: which probe falls silent, how, and for how long.

The probe that decides errs towards the unsafe side: the coldest reads too warm, the warmest too
cold, each by 0.35 K of the 0.5 K that its accuracy allows.
"""

from __future__ import annotations

from dataclasses import replace

from silent_probe import Body, Silence, Tent

FORE = Body("plank-fore", offset_k=-3.0, bias_k=0.35)
MID = Body("plank-mid", offset_k=-1.0, lag_h=2.1, bias_k=0.1)
AFT = Body("plank-aft", offset_k=1.0, lag_h=2.2, bias_k=-0.35)
NORTH = Body("plank-north", offset_k=-0.5, bias_k=0.35)
SOUTH = Body("plank-south", offset_k=0.0, sun_k=6.0, bias_k=-0.35)
TWO, THREE, SIDES = (FORE, AFT), (FORE, MID, AFT), (NORTH, SOUTH)
BEFORE_H, FROM_H, BACK_1_H, BACK_12_H = 24.6, 27.0, 28.0, 39.0
SHORT_H = 38.0  # long enough for the first two steps; shorter runs leave time for more of them

LOOKS_H = (8.95, 30.05, 37.55, 43.95)
"""When clocks are asked for, 3 min after a reading: at the end of short recordings, in the
silences, near the end of the long ones, and after all [h]."""


def all_silent(bodies: tuple[Body, ...]) -> tuple[Silence, ...]:
    """Return silences of every probe, the air's too, for the longer of the two spans."""
    names = ("air-bow", *(each.name for each in bodies))
    return tuple(Silence(name, FROM_H, BACK_12_H) for name in names)


OUT = (("mixed", 25.5), ("coat-started", 26.0), ("coat-ended", 26.5))
OUT += (("probes-out", FROM_H), ("probes-in", BACK_12_H))
SUNNY = Tent("sunny", SIDES, hours=SHORT_H, mean_c=18.0, clear=(0.9, 1.0))

_LISTED = (
    Tent("sound", TWO, hours=SHORT_H),
    # Steady differences, measured for a day and more.
    Tent("cold-1h", TWO, (Silence("plank-fore", FROM_H, BACK_1_H),), hours=SHORT_H),
    Tent("cold-12h", TWO, (Silence("plank-fore", FROM_H, BACK_12_H),), seed=2),
    Tent("cold-ever", TWO, (Silence("plank-fore", FROM_H),)),
    Tent("cold-err", TWO, (Silence("plank-fore", BEFORE_H, how="ERR"),), seed=3),
    Tent("warm-12h", TWO, (Silence("plank-aft", FROM_H, BACK_12_H),), seed=4),
    Tent("warm-err", TWO, (Silence("plank-aft", BEFORE_H, how="ERR"),), seed=5),
    Tent("three-cold", THREE, (Silence("plank-fore", FROM_H),), seed=6),
    Tent("three-mid", THREE, (Silence("plank-mid", FROM_H),), hours=SHORT_H, seed=7),
    # The sun on one side, a little stronger on the day of the silence than on the day before.
    replace(SUNNY, name="north", silences=(Silence("plank-north", BEFORE_H),)),
    replace(SUNNY, name="south", silences=(Silence("plank-south", BEFORE_H),)),
    # Probes that say something, and not the truth.
    Tent("cold-stuck", TWO, (Silence("plank-fore", FROM_H, BACK_12_H, "stuck"),), seed=9),
    Tent("cold-wrong", TWO, (Silence("plank-fore", FROM_H, how="wrong"),), hours=SHORT_H, seed=10),
    Tent(
        "neighbour-stuck",
        TWO,
        (Silence("plank-fore", FROM_H), Silence("plank-aft", 29.0, how="stuck")),
        hours=SHORT_H,
        seed=11,
    ),
    Tent(
        "nearest-stuck",
        THREE,
        (Silence("plank-fore", FROM_H), Silence("plank-mid", 29.0, how="stuck")),
        hours=SHORT_H,
        seed=12,
    ),
    # An hour side by side before the sun comes, and then none: what was seen tells too little.
    Tent(
        "short-past",
        SIDES,
        (Silence("plank-north", 1.0),),
        hours=9.0,
        mean_c=18.0,
        done=(("mixed", 0.2), ("coat-started", 0.5), ("coat-ended", 0.9)),
    ),
    # The silent one is below the table's coldest row by night, the other never.
    Tent(
        "below-rows", TWO, (Silence("plank-fore", FROM_H),), mean_c=12.5, swing_k=2.0, drift_k=0.3
    ),
    # A pot over a cold floor, and one in a warm stern, whose air bodies fall silent before the mix.
    Tent(
        "floor",
        (replace(FORE, offset_k=1.5), Body("air-floor", -1.6, 0.0, 0.0, 0.2, "air_temp")),
        (Silence("air-floor", BEFORE_H),),
        hours=31.0,
    ),
    Tent(
        "stern",
        (replace(AFT, offset_k=-1.0), Body("air-stern", 1.6, 0.0, 0.0, -0.2, "air_temp")),
        (Silence("air-stern", BEFORE_H),),
        hours=31.0,
    ),
    # Readings every minute.
    Tent(
        "minute",
        TWO,
        (Silence("plank-fore", 3.0),),
        hours=9.0,
        every_s=60.0,
        done=(("mixed", 2.2), ("coat-started", 2.6), ("coat-ended", 2.8)),
    ),
    # One that was never heard, and what these tents are compared with.
    Tent("dead", TWO, (Silence("plank-fore", -1.0),), hours=SHORT_H),
    Tent("aft-alone", (AFT,), hours=SHORT_H),
    Tent("fore-alone-12h", (FORE,), (Silence("plank-fore", FROM_H, BACK_12_H),), seed=2),
    Tent("out", TWO, all_silent(TWO), done=OUT),
)
TENTS = {each.name: each for each in _LISTED}

REPLAYED = ("cold-12h", "cold-err", "warm-err", "three-cold", "neighbour-stuck", "stern", "out")
"""Tents that are played through replay too, one of each kind: a log's clocks go one way."""

RESTART_H = 33.0
RESTART_LOOKS_H = (33.55, 37.55)
RESTARTED = {
    each.name: each
    for each in (
        replace(TENTS["cold-ever"], name="kept", hours=SHORT_H),
        replace(TENTS["cold-ever"], name="removed", hours=SHORT_H),
        TENTS["aft-alone"],
    )
}
"""Tents whose program is started anew, of one of them without the probe that is silent."""
