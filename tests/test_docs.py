"""Every command that a page or a help text shows is run, offline, in a copy of the examples.

What the pages say is held against the program, and the program's list of commands against the
project's fixed list, so that neither can go out of date.
"""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest
import typer
from command import Ran, filmcall
from typer.core import TyperCommand, TyperGroup

from monitor.cli.app import app

ROOT = Path(__file__).parents[1]
PAGES = sorted(
    path
    for path in (
        *ROOT.glob("*.md"),
        *(ROOT / "deploy").rglob("*.md"),
        *(ROOT / "examples").rglob("*.md"),
    )
)
# A walk is one story: its commands build on each other and are run in their order, in one folder.
# The recordings' page is told in the same way.
WALKS = tuple(page for page in PAGES if page.parent == ROOT / "examples" / "walks")
STORIES = (*WALKS, ROOT / "examples" / "recordings" / "README.md")
# So is the block that makes the finished review, which tests/test_examples_review.py runs.
TOLD_BY_REVIEW = ROOT / "examples" / "workboat" / "README.md"
FIXED = (
    *("check", "replay", "watch", "event", "clocks", "batch", "outlook", "review", "sessions"),
    *("export", "spec", "calibrate", "setup", "doctor", "demo", "simulate", "plan", "today"),
    *("page", "yard", "ship"),
)
CALLS = {0, 10, 20}  # GO, HOLD and STOP; anything else of `check` is a refusal

# What is not run, by its first words, and why. Each is still parsed.
_COPY = "needs a database; tests/system/test_ship.py reads one"
NOT_RUN = {
    "ship": "needs a database; tests/system/test_ship.py runs it",
    "sessions --db postgresql://insurer@yard.lan/filmcall": _COPY,
    "sessions verify --db postgresql://insurer@yard.lan/filmcall": _COPY,
    "review --db postgresql://insurer@yard.lan/filmcall": _COPY,
    "watch": "needs a broker; tests/system runs it",
    "page": "needs a broker; tests/system/test_page_browser.py runs it",
    "yard": "needs a broker; tests/system/test_yard_command.py runs it",
    "simulate --mqtt": "needs a broker; tests/system/test_simulate_mqtt.py runs it",
    "doctor": "asks a broker; tests/monitor/doctor/test_doctor.py and tests/system run it",
}

_FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_SPAN = re.compile(r"`(filmcall [a-z][^`]*)`")


@dataclass(frozen=True, slots=True)
class Shown:
    """A command as it stands on a page or in a help text."""

    where: str
    words: tuple[str, ...]

    def __str__(self) -> str:
        return f"{self.where}: {shlex.join(self.words)}"


Command = TyperCommand | TyperGroup


def cli() -> TyperGroup:
    group = typer.main.get_command(app)
    assert isinstance(group, TyperGroup)
    return group


def commands(at: Command, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], str]]:
    """Yield every command with its epilog, the program itself excepted."""
    if path:
        yield path, at.epilog or ""
    if isinstance(at, TyperGroup):
        for name, each in at.commands.items():
            assert isinstance(each, Command)
            yield from commands(each, (*path, name))


COMMANDS = dict(commands(cli()))


def fences(page: Path) -> list[tuple[str, str]]:
    """Return the language and the text of every fenced block of a page."""
    return [(found[1], found[2]) for found in _FENCE.finditer(page.read_text("utf-8"))]


def typed_in(line: str) -> Iterator[tuple[str, ...]]:
    """Yield the words after `filmcall` of each of its commands in a line of shell."""
    try:
        words = shlex.split(line.removeprefix("$ "), comments=True)
    except ValueError:
        return  # no shell: what a program printed
    one: list[str] = []
    for word in (*words, "&&"):
        if word not in ("&&", "|", ";"):
            one.append(word)
            continue
        if one[:3] == ["sudo", "-u", "filmcall"]:
            del one[:3]
        if one and one[0] in ("filmcall", ".venv/bin/filmcall"):
            yield tuple(one[1:])
        one = []


def shown_on(page: Path) -> Iterator[Shown]:
    """Yield each command of a page: in its code blocks, and in its text where it has arguments.

    Those in the code blocks of a story are left to the tests of walks and of the review.
    """
    where = str(page.relative_to(ROOT))
    for _, text in fences(page) if page not in STORIES else ():
        if page == TOLD_BY_REVIEW and "filmcall review" in text:
            continue
        for line in text.replace("\\\n", " ").splitlines():
            yield from (Shown(where, words) for words in typed_in(line))
    for span in _SPAN.findall(_FENCE.sub("", page.read_text("utf-8"))):
        (words,) = typed_in(span)
        if words not in COMMANDS or not needs_more(words):
            yield Shown(where, words)


def found_by(words: tuple[str, ...]) -> tuple[Command, list[str]]:
    """Return the command that words name, and the words that are its arguments."""
    at: Command = cli()
    rest = list(words)
    while isinstance(at, TyperGroup) and rest and rest[0] in at.commands:
        each = at.commands[rest.pop(0)]
        assert isinstance(each, Command)
        at = each
    return at, rest


def needs_more(path: tuple[str, ...]) -> bool:
    """Return whether a command that a text only names could not run as it is named."""
    at, _ = found_by(path)
    if isinstance(at, TyperGroup) and not at.invoke_without_command:
        return True
    return any(each.required for each in at.params)


def shown_in_help() -> Iterator[Shown]:
    for path, epilog in COMMANDS.items():
        for example in epilog.removeprefix("Example: ").splitlines():
            yield from (Shown(" ".join((*path, "--help")), words) for words in typed_in(example))


ON_PAGES = [shown for page in PAGES for shown in shown_on(page)]
IN_HELP = list(shown_in_help())
EVERY = list({shown.words: shown for shown in (*IN_HELP, *ON_PAGES)}.values())


def why_not_run(words: tuple[str, ...]) -> str | None:
    line = " ".join(words)
    return next((why for start, why in NOT_RUN.items() if f"{line} ".startswith(f"{start} ")), None)


# A place to run them in ---------------------------------------------------------------------


@pytest.fixture(scope="module")
def furnished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a folder with what the commands take for granted: examples, a spec, a log of a job."""
    folder = tmp_path_factory.mktemp("job")
    shutil.copytree(ROOT / "examples", folder / "examples")
    workboat = folder / "examples" / "workboat"
    shutil.copy(workboat / "polytunnel.toml", folder / "polytunnel.toml")
    shutil.copy(workboat / "night.csv", folder / "logger.csv")
    for name in ("workboat.toml", "creek.csv"):
        shutil.copy(workboat / name, folder / name)
    shutil.copy(ROOT / "rules" / "specs" / "polyurethane-topcoat.toml", folder / "my-topcoat.toml")
    log = ("--db", str(folder / "log.db"))
    where = ("--enclosure", "polytunnel", *log)
    # An outlook learns from a day of log, and the example's night is shorter.
    long = folder / "long.csv"
    made = filmcall("simulate", "--hours", "30", "--out", str(long))
    assert made.code == 0, made.err
    head, *rows = long.read_text().splitlines()
    long.write_text("\n".join((head, *rows[::6], "")))  # one a minute
    played = filmcall(
        *("replay", str(long), "--config", str(workboat / "polytunnel.toml"), "--jsonl", *log)
    )
    assert played.code == 0, played.err
    for kind, at in (("coat-started", "16:30"), ("coat-ended", "17:30")):
        for section in ("hull-port", "hull-stbd"):
            noted = filmcall(
                *("event", kind, "--section", section, "--at", f"2026-10-13T{at}:00Z", *where)
            )
            assert noted.code == 0, noted.err
    for reading in ("73.9", "74.1", "74.0"):
        held = filmcall(
            *("calibrate", "salt", "--point", "air-bow", "--salt", "NaCl", "--reading", reading),
            *("--temp", "20.1", *where),
        )
        assert held.code == 0, held.err
    shutil.copy(folder / "log.db", folder / "job.db")
    return folder


@pytest.fixture
def place(furnished: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a fresh copy of that folder, which is where the commands run."""
    folder = tmp_path / "job"
    shutil.copytree(furnished, folder)
    monkeypatch.chdir(folder)
    monkeypatch.setenv("FILMCALL_DB", str(folder / "log.db"))
    return folder


@cache
def demo() -> Ran:
    return filmcall("demo")


def run(words: tuple[str, ...], place: Path) -> Ran:
    if words == ("demo",):
        return demo()
    if words[:2] == ("spec", "new"):  # it writes over no file
        (place / "my-topcoat.toml").unlink()
    put = {"/var/lib/filmcall/": f"{place}/", "FILE": "my-topcoat.toml"}
    for old, new in put.items():
        words = tuple(word.replace(old, new) for word in words)
    return filmcall(*words)


# The commands -------------------------------------------------------------------------------


def test_the_pages_were_read() -> None:
    assert {page.relative_to(ROOT).parts[0] for page in PAGES} >= {
        "README.md",
        "DEVELOPERS.md",
        "deploy",
        "examples",
    }
    found = {" ".join(shown.words[:1]) for shown in ON_PAGES}
    assert found >= {"check", "replay", "demo", "spec", "event", "doctor", "simulate", "export"}
    assert len(IN_HELP) >= len([path for path in COMMANDS if not cli_is_group(path)])


def cli_is_group(path: tuple[str, ...]) -> bool:
    return any(other[:-1] == path for other in COMMANDS)


@pytest.mark.parametrize("shown", EVERY, ids=str)
def test_a_command_that_is_shown_runs(shown: Shown, place: Path) -> None:
    why = why_not_run(shown.words)
    if why is not None:
        parse(shown.words)
        pytest.skip(why)
    ran = run(shown.words, place)
    allowed = CALLS if shown.words[0] == "check" else {0}
    assert ran.code in allowed, ran.err
    assert ran.err == "" or not ran.err.startswith("filmcall: ")
    written = next(
        (w for o, w in zip(shown.words, shown.words[1:], strict=False) if o == "--out"), ""
    )
    assert ran.out.strip() or (place / written).stat().st_size > 0


def parse(words: tuple[str, ...]) -> None:
    """Take a command apart as the program would, and run nothing; a wrong option raises."""
    at, rest = found_by(words)
    at.make_context(" ".join(words), rest)


@pytest.mark.parametrize("words", NOT_RUN, ids=str)
def test_only_what_is_shown_somewhere_is_left_out(words: str) -> None:
    assert any(why_not_run(shown.words) == NOT_RUN[words] for shown in EVERY)


@pytest.mark.parametrize("name", FIXED)
def test_a_command_of_the_fixed_list_exists(name: str) -> None:
    assert re.search(rf"^  {name} ", filmcall("--help").out, re.MULTILINE)


@pytest.mark.parametrize("path", COMMANDS, ids=" ".join)
def test_the_help_of_a_command_shows_an_example_of_it(path: tuple[str, ...]) -> None:
    ran = filmcall(*path, "--help")
    assert ran.code == 0
    assert f"Example: filmcall {' '.join(path)}" in " ".join(ran.out.split())


def test_a_command_that_is_only_named_exists() -> None:
    for page in PAGES:
        for span in _SPAN.findall(page.read_text("utf-8")):
            words = shlex.split(span)[1:]
            assert (words[0],) in COMMANDS, f"{page.name}: `{span}`"


# README -------------------------------------------------------------------------------------

README = ROOT / "README.md"


def test_the_cautions_of_the_readme_are_there() -> None:
    """Common practice, no source; 5,000 ppm of CO2 is the eight-hour limit of many countries."""
    page = (ROOT / "README.md").read_text()
    cautions = " ".join(page.split("## Cautions")[1].split("\n## ")[0].split())
    for words in (
        "GO is about the film, never about the air that people breathe.",
        "5,000 ppm of carbon dioxide",
        "gloves and goggles",
        "a sensitised person stays away, mask or not",
        "in the same building and downwind",
        "Never dry-sand antifouling, or old paint that may hold lead",
        "light themselves: spread them out flat outside, or drown them",
        "pour it thin into a metal tray outside",
    ):
        assert words in cautions, words


def test_the_two_commands_of_the_readme_are_one_line_each_that_begins_from_nothing() -> None:
    (_, first), (_, second) = fences(README)[:2]
    for block in (first, second):
        (line,) = block.splitlines()
        assert line.startswith("python3 -m venv .venv && .venv/bin/pip install ")
        assert not {"sudo", "cd", "\\"} & set(shlex.split(line))
        for each in line.split(" && ")[1:]:
            assert each.startswith(".venv/bin/"), "the shell's own environment must not matter"
    assert first.rstrip().endswith(".venv/bin/filmcall demo")
    assert second.rstrip().endswith(".venv/bin/pytest -q -n 4 --dist loadfile")
    assert "-e '.[test]'" in second
    # .ci/run takes the second one by this mark.
    assert f"<!-- second command -->\n```\n{second}```" in README.read_text("utf-8")


def pattern(line: str) -> re.Pattern[str]:
    """Make a pattern of a line in which `...` stands for anything."""
    return re.compile(".*".join(re.escape(part) for part in line.rstrip().split("...")))


def stands_in_order(wanted: list[str], printed: list[str], *, gapless: bool) -> str | None:
    """Return the first wanted line that does not come, or None; a line `...` is any lines."""
    at, gap = 0, not gapless
    for line in wanted:
        if line.strip() == "...":
            gap = True
            continue
        found = next(
            (n for n in range(at, len(printed)) if pattern(line).fullmatch(printed[n].rstrip())),
            None,
        )
        if found is None or (found != at and not gap):
            return line
        at, gap = found + 1, not gapless
    return None


@pytest.mark.parametrize(
    "page",
    [page for page in PAGES if page not in STORIES],
    ids=lambda page: str(page.relative_to(ROOT)),
)
def test_what_a_page_says_that_a_command_prints_is_what_it_prints(page: Path, place: Path) -> None:
    for _, text in fences(page):
        lines = text.splitlines()
        if not lines[0].startswith("$ filmcall "):
            continue
        (words,) = typed_in(lines[0])
        printed = run(words, place).out.splitlines()
        missing = stands_in_order(lines[1:], printed, gapless=True)
        assert missing is None, f"not printed at its place: {missing}\n" + "\n".join(printed)


def steps(page: Path) -> Iterator[tuple[tuple[str, ...], list[str]]]:
    """Yield the commands of a walk in their order, each with the lines that it is said to print."""
    for _, text in fences(page):
        found: list[tuple[tuple[str, ...], list[str]]] = []
        for line in text.splitlines():
            words = list(typed_in(line))
            if words:
                found.append((words[0], []))
            elif found:
                found[-1][1].append(line)
        yield from found


def test_the_walks_are_the_three_that_the_readme_names() -> None:
    named = re.findall(r"\(examples/walks/([\w-]+\.md)\)", README.read_text("utf-8"))
    assert sorted(named) == sorted(page.name for page in WALKS)
    assert len(WALKS) == 3


@pytest.mark.parametrize("page", STORIES, ids=lambda page: f"{page.parent.name}/{page.name}")
def test_a_walk_can_be_walked(page: Path, place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("FILMCALL_DB")  # a newcomer has none
    walked = 0
    for words, said in steps(page):
        if why_not_run(words) is not None:
            parse(words)
            assert not said, "what nobody runs here cannot be held to what it prints"
            continue
        ran = run(words, place)
        assert ran.code in (CALLS if words[0] == "check" else {0}), ran.err
        printed = [*ran.err.splitlines(), *ran.out.splitlines()]
        missing = stands_in_order(said, printed, gapless=True)
        assert missing is None, f"not printed at its place: {missing}\n" + "\n".join(printed)
        walked += 1
    assert walked >= 2


def test_the_night_of_the_workboat_is_what_the_demo_prints() -> None:
    page = ROOT / "examples" / "workboat" / "README.md"
    (night,) = [text for _, text in fences(page) if text.startswith("REPLAY ")]
    printed = demo().out.splitlines()
    missing = stands_in_order(night.splitlines(), printed, gapless=False)
    assert missing is None, f"the demo does not print: {missing}\n" + "\n".join(printed)


def test_a_stale_line_would_be_found() -> None:
    printed = ["GO", "  one 1.0", "  two 2.0", "end"]
    assert stands_in_order(["GO", "  one 1.0", "..."], printed, gapless=True) is None
    assert stands_in_order(["GO", "  two 2.0"], printed, gapless=True) == "  two 2.0"
    assert stands_in_order(["GO", "...", "  two ..."], printed, gapless=True) is None
    assert stands_in_order(["GO", "  one 1.1"], printed, gapless=False) == "  one 1.1"
    assert stands_in_order(["end", "GO"], printed, gapless=False) == "GO"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_a_page_links_to_what_exists(page: Path) -> None:
    for target in re.findall(r"\]\((?!https?:)([^)#]+)(?:#[^)]*)?\)", page.read_text("utf-8")):
        assert (page.parent / target).exists(), f"{page.name} links to {target}"


def test_files_that_the_readme_names_exist() -> None:
    names = re.findall(
        r"`((?:examples|deploy|tests|rules|monitor|sensors)/[\w./-]+)`", README.read_text()
    )
    assert names
    for name in names:
        assert (ROOT / name).exists(), name
