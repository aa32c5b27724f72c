"""The page and the daily sheet: whole, escaped, readable without the drawing, and without a net."""

from __future__ import annotations

import csv
import io
import re
import sys
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import planted
import pytest
from planted import CLEAN, PLANTS, SECTION
from planted_store import call, put

from monitor import __version__
from monitor.review.chart import _binned, _path, table_rows
from monitor.review.daily_sheet import sheet_csv, sheet_html, sheet_rows
from monitor.review.figures import TimeStamp
from monitor.review.report import ReportNotInstalled, html_report
from monitor.review.review import Review, choose_session, review
from rules.events import Event
from rules.vocabulary import EventKind

HOUR = 3600.0
MIDNIGHT = planted.MIDNIGHT_S
EVIL = '<script>alert("x")</script><img src=x onerror=alert(1)>'
VOID = {"meta", "link", "br", "img", "input", "hr", "rect", "line", "path"}


class Page(HTMLParser):
    """Tags, attributes and text of a page; complains about tags that do not close in order."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> without a beginning"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)

    def all_text(self) -> str:
        return " ".join(" ".join(self.text).split())


@pytest.fixture(scope="module")
def evil_review(tmp_path_factory: pytest.TempPathFactory) -> Review:
    """A spoiled job in which everything that a person writes is an attack."""
    path = tmp_path_factory.mktemp("log") / "log.db"
    more = [
        Event(EventKind.NOTE, MIDNIGHT + 40 * HOUR, planted.ENCLOSURE, SECTION, note=EVIL),
        Event(EventKind.MEASURED, MIDNIGHT + 41 * HOUR, planted.ENCLOSURE, SECTION,
              what=EVIL, value=12.0, unit="<b>%</b>"),
        Event(EventKind.TAPE_ON, MIDNIGHT + 30 * HOUR, planted.ENCLOSURE, "<i>keel</i>"),
        Event(EventKind.MIXED, MIDNIGHT + 35.9 * HOUR, planted.ENCLOSURE, SECTION,
              batch="<u>B1</u>", spec=planted.EPOXY, amount_ml=500.0),
    ]  # fmt: skip
    store = put(path, PLANTS["dew-on-epoxy"](3000), more, title=EVIL)
    store.add_call(call(MIDNIGHT + 37 * HOUR, "STOP", EVIL))
    store.add_call(call(MIDNIGHT + 38 * HOUR, "HOLD", "x", section="<i>keel</i>"))
    with store:
        return review(store, choose_session(store.sessions(), None), seen="milky, greasy " + EVIL)


def test_what_people_write_shows_as_text_and_runs_nowhere(evil_review: Review) -> None:
    page = Page(html_report(evil_review))
    tags = [tag for tag, _ in page.tags]
    assert not {"script", "img", "iframe", "object", "u", "b", "i"} & set(tags)
    assert not any(name.startswith("on") for _, attrs in page.tags for name in attrs)
    text = page.all_text()
    for written in (EVIL, "<i>keel</i>", "<u>B1</u>", "<b>%</b>"):
        assert written in text


def test_the_page_closes_every_tag_and_calls_nothing_from_outside(evil_review: Review) -> None:
    text = html_report(evil_review)
    page = Page(text)
    assert page.open == []
    for _, attrs in page.tags:
        for name in ("src", "href", "action", "data", "srcset"):
            assert (attrs.get(name) or "data:").startswith(("data:", "#"))
    assert not re.search(r"url\(|@import|https?://", text)


def test_every_drawing_is_sound_and_has_its_figures_as_a_table(evil_review: Review) -> None:
    text = html_report(evil_review)
    drawings = re.findall(r"<svg.*?</svg>", text, flags=re.DOTALL)
    coats = [coat for each in evil_review.sections for coat in each.coats]
    # One for a page, one for a telephone held upright.
    assert len(drawings) == 2 * len(coats) >= 2
    for drawing in drawings:
        root = ElementTree.fromstring(drawing)
        assert root.get("role") == "img"
        assert root.find("title") is not None
        assert "nan" not in drawing
        assert "inf" not in drawing
    page = Page(text)
    idents = [attrs["id"] for _, attrs in page.tags if attrs.get("id")]
    assert len(idents) == len(set(idents))
    section = evil_review.sections[-1]
    rows = table_rows(section, section.coats[0], TimeStamp("Etc/UTC"))
    assert 24 <= len(rows) <= 101
    worst = min(float(row[4].removesuffix(" K").replace("−", "-")) for row in rows if "K" in row[4])
    limits = [x for x in section.coats[0].limits if x.name.value == "dew_margin_min"]
    assert worst <= min(x.beyond.worst for x in limits if x.beyond.worst is not None) + 0.05


def test_the_answer_its_figures_and_the_cautions_are_on_the_page(evil_review: Review) -> None:
    text = Page(html_report(evil_review)).all_text()
    assert "This log points to dew on the film before it had set." in text
    assert "that is no probability" in text
    assert "It says nothing about the air that people breathe" in text
    assert "isocyanates" in text
    assert "Generic figures, no data sheet's" in text
    assert "are as they were written" in text
    assert "What no sensor sees" in text
    assert "critical hours under 3 K" in text
    assert "judgement, no outside cases" in text


def test_light_dark_and_paper_each_have_their_colours(evil_review: Review) -> None:
    text = html_report(evil_review)
    assert "prefers-color-scheme:dark" in text
    assert "@media print" in text
    assert "size:A4" in text
    named = set(re.findall(r"var\((--[a-z]+)\)", text))
    blocks = re.findall(r":root\{(.*?)\}", text, flags=re.DOTALL)
    assert len(blocks) == 3
    for block in blocks:
        assert named <= set(re.findall(r"(--[a-z]+):", block))


def test_a_log_without_a_coat_still_makes_a_page(tmp_path: Path) -> None:
    job = CLEAN["good-primer"](3000)
    bare = planted.Planted(
        job.plant, job.seed, job.spec, job.events[:1], job.time_s, job.air_c, job.rh_pct,
        np.full(job.time_s.size, np.nan), None,
    )  # fmt: skip
    with put(tmp_path / "log.db", bare) as store:
        found = review(store, choose_session(store.sessions(), None))
    text = Page(html_report(found)).all_text()
    assert "No coat is recorded" in text
    assert "No surface was measured" in text
    assert "not known" in sheet_html(found)


def test_without_jinja2_one_sentence_says_what_to_install(
    evil_review: Review, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "jinja2", None)
    with pytest.raises(ReportNotInstalled, match="install filmcall with its 'report' extra"):
        html_report(evil_review)
    with pytest.raises(ReportNotInstalled, match=r"write the sheet as \.csv"):
        sheet_html(evil_review)


def test_a_line_breaks_where_nothing_is_known_and_keeps_its_peaks() -> None:
    time_s = np.arange(0.0, 690.0)
    values = np.full(690, 10.0)
    values[300:400] = np.nan
    values[100] = 99.0
    lows, highs = _binned(time_s, values, 0.0, 690.0)
    assert highs[100] == 99.0
    drawn = _path(lows, highs, lambda value: 100.0 - value)
    assert drawn.count("M") == 2
    assert " 1.0" in drawn


def test_a_slow_logger_draws_one_line_and_not_a_row_of_dots() -> None:
    time_s = np.arange(0.0, 86_400.0, 1800.0)
    lows, highs = _binned(time_s, np.full(time_s.size, 10.0), 0.0, 86_400.0)
    assert _path(lows, highs, lambda value: value).count("M") == 1


# --- the daily sheet --------------------------------------------------------------------------


def test_the_sheet_has_a_line_every_four_hours_and_at_each_coat(evil_review: Review) -> None:
    rows = [row for row in sheet_rows(evil_review) if row.section == SECTION]
    hours = [(row.time_s - MIDNIGHT) / HOUR for row in rows if not row.what]
    assert hours == [4.0 * k for k in range(1, len(hours) + 1)]
    assert [row.what.split()[0] for row in rows if row.what] == [
        "mixed", "mixed", "coat-started", "coat-ended",
    ]  # fmt: skip
    for row in rows:
        if row.margin_k is not None:
            assert row.surface_c is not None
            assert row.dew_point_c == pytest.approx(row.surface_c - row.margin_k)
    assert any(row.short for row in rows)


def test_the_sheet_has_no_line_for_a_time_that_is_yet_to_come(evil_review: Review) -> None:
    seen = replace(evil_review, from_s=MIDNIGHT + 10.7 * HOUR, to_s=MIDNIGHT + 11.1 * HOUR)
    assert [row.time_s for row in sheet_rows(seen) if not row.what] == []


def test_the_sheets_dew_points_agree_with_the_form_of_wmo_no_8(evil_review: Review) -> None:
    # Both air points stand within 0.3 K and 2 % of each other: the highest dew point of the two
    # lies within 0.6 K of that of coldest air and most humid point.
    for row in sheet_rows(evil_review):
        if row.dew_point_c is None or row.air_c is None or row.rh_pct is None:
            continue
        ln = np.log(row.rh_pct / 100.0) + 17.62 * row.air_c / (243.12 + row.air_c)
        assert row.dew_point_c == pytest.approx(243.12 * ln / (17.62 - ln), abs=0.6)


def test_the_csv_reads_back_and_hides_no_formula(tmp_path: Path) -> None:
    job = CLEAN["good-primer"](3000)
    more = [
        Event(EventKind.WIPED, MIDNIGHT + 20 * HOUR, planted.ENCLOSURE, "=1+1", note="@SUM(A1)")
    ]
    with put(tmp_path / "log.db", job, more) as store:
        found = review(store, choose_session(store.sessions(), None))
    rows = list(csv.DictReader(io.StringIO(sheet_csv(found))))
    assert list(rows[0]) == [
        "date", "time", "section", "air_temp_c", "rh_pct", "surface_temp_c", "dew_point_c",
        "dew_margin_k", "what", "who", "surface_is",
    ]  # fmt: skip
    assert {row["section"] for row in rows} == {"'=1+1", SECTION}
    assert all(not cell.startswith(("=", "@")) for row in rows for cell in row.values())
    assert rows[0]["time"].endswith("+0000")
    assert "measured" in {row["surface_is"] for row in rows}


def test_the_html_sheet_leaves_room_to_sign(evil_review: Review) -> None:
    page = Page(sheet_html(evil_review))
    assert page.open == []
    assert "script" not in [tag for tag, _ in page.tags]
    signed = [attrs for tag, attrs in page.tags if tag == "td" and attrs.get("class") == "who"]
    assert len(signed) == len(sheet_rows(evil_review))


# --- the first page and the telephone -------------------------------------------------------------


def test_the_first_page_has_all_that_is_signed(evil_review: Review) -> None:
    text = html_report(evil_review, written_s=MIDNIGHT)
    first = " ".join(re.sub(r"<[^>]+>", " ", text[: text.index('<div class="appendix">')]).split())
    for words in (
        "This log points to dew on the film before it had set.",
        "polytunnel",
        "two-pack-epoxy-primer",
        "Outside its spec: ",
        "What is open",
        "Seal of the log: ",
        f"filmcall {__version__}, written 2026-09-26 00:00",
        "Boat and owner",
        "Recorded by",
    ):
        assert words in first, words
    assert "&lt;u&gt;B1&lt;/u&gt;" in text[: text.index('<div class="appendix">')]
    # One drawing, in its two sizes.
    assert first.count("Climate over coat") == 2


def test_a_limit_that_was_not_kept_stands_apart_from_those_that_were(evil_review: Review) -> None:
    text = html_report(evil_review)
    assert "Kept throughout: " in text
    tables = re.findall(r"<table>\s*<caption>Limits that were not kept.*?</table>", text, re.DOTALL)
    assert tables
    for table in tables:
        for row in re.findall(r"<tr><td.*?</tr>", table, re.DOTALL):
            assert 'class="n broken"' in row or 'class="n near"' in row or "not known" in row


def test_every_cell_carries_its_columns_name_for_a_narrow_screen(evil_review: Review) -> None:
    page = Page(html_report(evil_review))
    cells = [attrs for tag, attrs in page.tags if tag == "td"]
    assert cells
    assert all(attrs.get("data-l") for attrs in cells)
    style = html_report(evil_review).split("</style>")[0]
    assert "min-width:40rem" not in style
    assert "@media (max-width:600px)" in style
