"""A live night with one section's probe carried out: the other rings, and the log is true to it.

DEVELOPERS.md: an event touches the sections that it names; probes carried out on purpose ring
nothing but one reminder. The rig's tent at 18 degC and 90 % has a dew point of 16.3 degC (ASHRAE
Fundamentals, psychrometric chart), over its planks at 15 degC.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from command import filmcall
from rig import PORT, STBD, TOPCOAT, Rig, config_text, plank_of


@pytest.mark.parametrize("restarted", [False, True])
def test_the_other_section_rings_and_the_carried_one_reminds_once(
    restarted: bool, tmp_path: Path
) -> None:
    rig = Rig(tmp_path, TOPCOAT, step_s=10.0)
    rig.run(30.0)
    for section in (PORT, STBD):
        rig.coat(section, 10.0)
    rig.event("probes-out", PORT, value=rig.wall_s + 40 * 60.0)
    rig.kill(plank_of(PORT))
    out_s = rig.now_s
    rig.run(20.0)
    if restarted:
        rig.restart(60.0)
        rig.run(5.0)
    assert rig.timeline.rings_between(out_s, rig.now_s) == []
    rig.air(rh_pct=90.0)
    rig.run(40.0)
    rings = rig.timeline.rings_between(out_s, rig.now_s)
    harmed = {ring.section for ring in rings if ring.cause == "dew_margin_min"}
    assert harmed == {STBD}
    reminders = [ring for ring in rings if "probes are out" in ring.text or ring.fact == "blind"]
    assert [ring.section for ring in reminders] == [PORT]
    rig.event("probes-in", PORT)
    rig.revive()
    rig.air(rh_pct=55.0)
    rig.run(30.0)
    calls = rig.live.watch.rooms["tent"].enclosure.explain()
    assert not any("on purpose" in each.text for call in calls for each in call.reasons)
    rig.live.end()
    ran = filmcall("sessions", "verify", "--db", str(tmp_path / "log.db"))
    assert ran.code == 0, ran.out + ran.err


@pytest.mark.parametrize("dry", [False, True])
def test_a_probe_that_counts_for_all_is_wanted_back_once_every_film_is_dry(
    dry: bool, tmp_path: Path
) -> None:
    """The section named has no probe of its own and no film; the other's film counts."""
    for_all = config_text(TOPCOAT, (PORT, STBD)).replace(f'section = "{STBD}"\n', "")
    rig = Rig(tmp_path, TOPCOAT, step_s=10.0, text=for_all)
    rig.run(30.0)
    rig.coat(PORT, 10.0)
    if dry:  # the sheet has 9 h at 10 degC, and 5 h at 20
        rig.run(9 * 60.0, step_s=60.0)
    rig.event("probes-out", STBD)
    out_s = rig.now_s
    rig.run(20.0)
    rings = rig.timeline.rings_between(out_s, rig.now_s)
    assert ["on purpose" in ring.text for ring in rings] == [True] * dry
    rig.live.end()
