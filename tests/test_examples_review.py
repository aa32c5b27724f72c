"""The finished review in examples/ is what its documented commands make today."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest
from command import filmcall

ROOT = Path(__file__).parents[1]
WORKBOAT = ROOT / "examples" / "workboat"
AGAIN = "make it again by the commands of examples/workboat/README.md"


def commands() -> list[list[str]]:
    """Return the commands that make the review, as the page has them."""
    page = (WORKBOAT / "README.md").read_text("utf-8")
    blocks = re.findall(r"^```\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    (block,) = [each for each in blocks if "filmcall review" in each]
    return [shlex.split(line)[1:] for line in block.splitlines()]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Make the review anew, in a copy of the examples."""
    folder = tmp_path_factory.mktemp("workboat")
    shutil.copytree(ROOT / "examples", folder / "examples")
    page = folder / "examples" / "workboat" / "review.html"
    page.unlink()
    printed = ""
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.delenv("FILMCALL_DB", raising=False)
        for words in commands():
            ran = filmcall(*words)
            assert ran.code == 0, ran.err
            assert not ran.err.startswith("filmcall: ")
            assert ran.out.strip()
            printed = ran.out
    return {"review.html": page.read_text("utf-8"), "review.txt": printed}


def parts(text: str) -> tuple[list[str], list[float]]:
    """Return a review's words and its decimal figures; each log has an identity of its own."""
    text = re.sub(r"rows, \S+Z, [0-9a-f]{64}", "rows, TODAY, HASH", text)
    text = re.sub(r"written \d{4}-\d\d-\d\d \d\d:\d\d", "written TODAY", text)
    text = re.sub(r"played \d{4}-\d\d-\d\d \d\d:\d\d", "played TODAY", text)
    text = re.sub(r"\d+ d(?: \d+ h)? later", "LATER", text)
    text = re.sub(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", "LOG", text)
    figures = r"-?\d+\.\d+"
    return re.split(figures, text), [float(each) for each in re.findall(figures, text)]


@pytest.mark.parametrize("name", ["review.html", "review.txt"])
def test_the_finished_review_is_what_its_commands_make(made: dict[str, str], name: str) -> None:
    """Within one step of the last digit: another machine's exp() may differ by a bit."""
    words, figures = parts(made[name])
    kept_words, kept_figures = parts((WORKBOAT / name).read_text("utf-8"))
    assert words == kept_words, AGAIN
    assert figures == pytest.approx(kept_figures, abs=0.11), AGAIN
    assert len(figures) > 10


def test_the_finished_review_tells_the_night_that_the_page_tells(made: dict[str, str]) -> None:
    text = made["review.txt"]
    assert "This log points to dew on the film before it had set." in text
    # From 22:40 the hull stands less than 3 K over the dew point, says the page; the port side,
    # which is the colder, some minutes before.
    assert re.search(r"2026-10-13 22:[34]\d to 06:\d\d, .*of 16 critical hours under 3 K", text)
    assert "milky along the three lowest planks, both sides; dry to the finger" in text
    assert "wood-moisture 14 pct" in text
    assert 'class="call-stop"' in made["review.html"]
