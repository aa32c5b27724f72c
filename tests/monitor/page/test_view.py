"""Nothing that a message can say keeps page or yard from showing the others."""

from __future__ import annotations

import json
import re
from datetime import UTC
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from listening import NOW_S, Rig, call

from monitor.page.view import Zones, card, whole
from monitor.screen.layout import Size
from monitor.screen.theme import Colours, Theme
from monitor.yard.table import Desk, table
from rules.vocabulary import ClockName, LimitName
from sensors.zones import zone_named

ZONES = Zones(zone_named("America/New_York"), {"tent": zone_named("Pacific/Kiritimati")})
TIMES = st.sampled_from(
    ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z", "2027-01-15T08:00:00+23:59", "1969-01-01T00Z",
     "2027-01-15T08:00:00", "now", "2027-01-15T09:00:00Z"]
)  # fmt: skip
NUMBERS = st.one_of(
    st.sampled_from([10**400, -(10**400), 1e308, -1e308, 0, -0.0, 2**63, 1e-320]),
    st.floats(-99, 99),
)
ANY = st.one_of(st.none(), st.booleans(), NUMBERS, TIMES, st.text(max_size=8))


def table_of(**keys: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({}, optional={key: each | ANY for key, each in keys.items()})


NAMES = st.sampled_from([each.value for each in LimitName])
CLOCKS = st.sampled_from([each.value for each in ClockName])
STATES = st.sampled_from(["running", "waiting", "ended", "unknown", "near", "broken", "ok"])
REASON = table_of(
    limit=NAMES, state=STATES, value=NUMBERS, bound=NUMBERS, unit=st.just("K"), text=st.text()
)
CLOCK = table_of(
    name=CLOCKS,
    state=STATES,
    ends_at=TIMES,
    section=st.text(),
    basis=st.text(),
    next_spec=st.text(),
)
BAND = table_of(ahead_s=NUMBERS, margin_low_k=NUMBERS, margin_mid_k=NUMBERS, margin_high_k=NUMBERS)
ALARM = table_of(text=st.text(), since=TIMES, rang_at=TIMES, acknowledged_at=TIMES)
SAID = table_of(
    since=TIMES,
    time=TIMES,
    lines=st.lists(st.text(), max_size=3),
    reasons=st.lists(REASON, max_size=3),
    clocks=st.lists(CLOCK, max_size=3),
    outlook=table_of(text=st.text(), breaks_at=TIMES, bands=st.lists(BAND, max_size=4)),
    alarms=st.lists(ALARM, max_size=3),
    events=st.lists(table_of(kind=st.text(), time=TIMES, note=st.text()), max_size=3),
    sections=st.lists(table_of(section=st.text(), reasons=st.lists(REASON, max_size=2))),
    dew_margin_k=NUMBERS,
    dew_margin_u95_k=NUMBERS,
    row=NUMBERS,
    seal=st.text(),
    log=st.text(),
)


def shown(more: dict[str, Any]) -> None:
    rig = Rig()
    rig.status()
    rig.say(call("HOLD"), enclosure="other")
    rig.say(call(**{**more, "call": "STOP", "station": "shed-pi"}))
    rows = rig.yard.rows(rig.now)
    assert {row.key.enclosure for row in rows} >= {"other"}
    for row in rows:
        json.dumps([card(row, ZONES, NOW_S), whole(row, ZONES, NOW_S)])
    table(rows, Size(80, 24), Theme(Colours.NONE), Desk(), zone=UTC, now_s=NOW_S)


@given(SAID)
def test_whatever_a_call_says_it_can_be_shown(more: dict[str, Any]) -> None:
    shown(more)


def opened(**more: object) -> dict[str, Any]:
    """What the page shows of one enclosure whose call says more."""
    rig = Rig()
    rig.status()
    rig.say(call(**{"call": "HOLD", **more}))
    (row,) = rig.yard.rows(rig.now)
    return whole(row, ZONES, NOW_S)


def test_a_number_is_said_to_decide_only_where_its_limit_comes_first() -> None:
    humidity = {"limit": "humidity_max", "state": "ok", "value": 55.0, "bound": 85.0, "unit": "%"}
    blind = {"limit": "dew_margin_min", "state": "unknown", "value": None, "bound": 3.0}
    assert opened(reasons=[humidity])["number"] == "55.0 %"
    assert opened(reasons=[blind, humidity])["number"] == ""
    early = {"limit": "recoat opens", "state": "unknown", "value": None, "text": "Too early"}
    dwell = {"limit": "dwell", "state": "near", "value": 60.0, "bound": 600.0, "unit": "s"}
    kept = {"limit": "limits", "state": "ok", "value": None, "text": "Inside every limit"}
    for first in (early, dwell):
        assert opened(reasons=[first, humidity])["number"] == ""
    assert opened(reasons=[kept, humidity])["number"] == "", "a HOLD rests on no limit kept"
    assert opened(call="GO", reasons=[kept, humidity])["number"] == "55.0 %"


def test_the_number_that_decides_stays_while_two_limits_past_swap_places() -> None:
    damp = {"limit": "humidity_max", "state": "broken", "value": 84.1, "bound": 80.0, "unit": "%"}
    hull = {"limit": "dew_margin_min", "state": "broken", "value": 2.0, "bound": 3.0, "unit": "K"}
    numbers = {opened(call="STOP", reasons=each)["number"] for each in ([damp, hull], [hull, damp])}
    assert numbers == {"2.0 K"}
    far = {**damp, "value": 95.0}
    assert opened(call="STOP", reasons=[far, hull])["number"] == "95.0 %"


def test_since_when_stands_with_the_enclosures_word_and_not_with_the_section_of_now() -> None:
    since = opened(since="2027-01-15T08:00:00Z", section="hull-port")["since"]
    first, *rest = since.split(" · ")
    assert first.startswith("since ")
    assert rest[0].startswith("hull-port")


def test_every_figure_stands_in_the_units_of_who_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand: x 1.8 + 32 for a temperature, x 1.8 alone for a difference."""
    said = {
        "lines": ["Hull 1.3 K above dew point; wants 3.0 K.", "Wait."],
        "advice": "Stop at the next break line",
        "reasons": [
            {"limit": "dew_margin_min", "state": "broken", "value": 1.34, "bound": 3.0, "unit": "K"}
        ],
        **{"air_temp_c": 20.0, "surface_temp_c": 12.0, "dew_point_c": 10.7, "rh_pct": 55.0},
        **{"dew_margin_k": 1.34, "dew_margin_u95_k": 1.0},
        "clocks": [{"name": "recoat opens", "state": "running", "basis": "Not counting: 12 °C"}],
        "outlook": {
            "state": "near",
            "text": "Hull closing on the dew point, 2.0 K an hour: limit in 22 min",
            "bands": [
                {"ahead_s": each, "margin_low_k": 1, "margin_mid_k": 2, "margin_high_k": 3}
                for each in (0, 3600)
            ],
        },
        "alarms": [{"section": "port", "text": "port: STOP since 08:00: Hull 1.3 K above"}],
        "sections": [
            {"section": name, "call": "STOP", "reasons": [
                {"limit": "surface_temp_min", "state": "broken", "text": "Coldest hull 12.0 °C"}]}
            for name in ("port", "starboard")
        ],
    }  # fmt: skip
    metric = opened(**said)
    assert (metric["number"], metric["lines"][0]) == ("1.3 K", [said["lines"][0]])
    monkeypatch.setenv("FILMCALL_UNITS", "us")
    us = opened(**said)
    assert (us["number"], us["number_text"]) == ("2.4 °F", "Dew margin; wants at least 5.4 °F")
    assert us["lines"] == [["Hull 2.4 °F above dew point; wants 5.4 °F."], ["Wait."]]
    assert us["figures"] == [
        ["Air", "68.0 °F"],
        ["Humidity", "55 %"],
        ["Hull", "53.6 °F"],
        ["Dew point", "51.3 °F"],
        ["Margin", "2.4 ± 1.8 °F"],
    ]
    assert us["clocks"][0]["cells"][3] == "Not counting: 54 °F"
    assert us["outlook_text"].startswith("Hull closing on the dew point, 3.6 °F an hour")
    assert "likely 3.6 °F at its lowest" in us["outlook_says"]
    assert "between 1.8 and 5.4 °F; wants 5.4 °F." in us["outlook_says"]
    assert us["alarms"][0][0] == "port: STOP since 08:00: Hull 2.4 °F above"
    assert us["sections"][0][2] == "Coldest hull 53.6 °F"
    assert not [text for text in strings(us) if re.search(r"\d (?:°C|K)\b", text)]


def strings(said: object) -> list[str]:
    """Every text in what the page is told."""
    if isinstance(said, str):
        return [said]
    inner = said.values() if isinstance(said, dict) else said if isinstance(said, list) else ()
    return [text for each in inner for text in strings(each)]


def test_two_pots_are_told_apart() -> None:
    clocks = [
        {"name": "pot life", "state": "running", "ends_at": "2027-01-15T09:00:00Z", "batch": each}
        for each in ("A", "B")
    ]
    assert [each["cells"][3] for each in opened(clocks=clocks)["clocks"]] == ["pot A", "pot B"]


def test_a_recoat_window_names_the_paint_that_it_is_for() -> None:
    clocks = [
        {"name": name, "state": "running", "ends_at": "2027-01-15T09:00:00Z", "next_spec": paint}
        for name, paint in (("recoat opens", "topcoat"), ("recoat closes", None))
    ]
    shown = [each["cells"][0] for each in opened(clocks=clocks)["clocks"]]
    assert shown == ["Recoat for topcoat from", "Recoat by"]


@pytest.mark.parametrize(
    "more",
    [
        {"since": "0001-01-01T00:00:00Z"},
        {"dew_margin_k": 10**400},
        {"row": 10**4000},
        {"outlook": {"text": "x", "bands": [
            {"ahead_s": each, "margin_low_k": 1, "margin_mid_k": 2, "margin_high_k": 3}
            for each in (0, 1e300)]}},
    ],
    ids=["time before all zones", "integer past a float", "row past text", "hours past time"],
)  # fmt: skip
def test_a_figure_that_cannot_be_is_left_out(more: dict[str, Any]) -> None:
    shown(more)
