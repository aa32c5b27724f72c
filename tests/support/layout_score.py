"""Tries the program on invented recordings whose truth is known, and says how it fared.

The program is a black box here: it is given the files, and judged by what it prints, by the calls
of a replay, and by the readings that the replay put into a log. Two ways in are tried: a replay of
the bare file, and `filmcall setup`, whose config is replayed with the file.
"""

from __future__ import annotations

import io
import json
import os
import re
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from unittest.mock import patch

from tests.support.command import Ran, filmcall
from tests.support.logger_files import Layout, Series, dew_point_c

RIGHT = "right, no question"
ONE = "right after one question"
MORE = "right after more questions"
PART = "part left out, by name"
REFUSED = "refused, trouble named"
MUTE = "refused, trouble not named"
ASKED = "asked, answer did not help"
WRONG = "WRONG IN SILENCE"
CRASHED = "traceback"
CATEGORIES = (RIGHT, ONE, MORE, PART, REFUSED, MUTE, ASKED, WRONG, CRASHED)

SPEC = "polyurethane-topcoat"
TEMPERATURE_OFF_K = 0.2
HUMIDITY_OFF_PCT = 1.0
ELSEWHERE = "Asia/Tokyo"  # where the computer stands if the file says its own zone
# The shipped specs' bounds: a GO beyond one of them by more than half a last digit is wrong. Where
# setup chose another spec than the topcoat, the laxest of the shipped counts.
GO_MARGIN_K, GO_RH_PCT, GO_LAX_RH_PCT, GO_TEMP_C, SLACK = 3.0, 80.0, 85.0, (10.0, 35.0), 0.1
# So few rows may be left out of a recording that is still read right, if each is told of.
FEW = 0.02
# Asked whatever the file is, and no fault of the file's: which spec, and on which section.
STANDING = frozenset(("spec", "section"))


@dataclass(frozen=True, slots=True)
class Question:
    """One thing that the program said it could not know.

    Attributes:
        kind: zone, unit, order, role, section, spec or other.
        what: the program's own words.
        guess: what it took, or offers as default.
    """

    kind: str
    what: str
    guess: str


_TOOK = re.compile(r"^\? (?P<what>.+?): took (?P<guess>.+?)(?: \((?P<why>.*)\))?\.?$", re.MULTILINE)
_PROMPT = re.compile(r"^\? (?P<what>.+?)(?: \[(?P<guess>[^\]]*)\])?[:?]?\s*$")
# What a replay without a config says today of times that carry no zone counts as a question.
_NO_ZONE = re.compile(r"The times carry no zone and none is given: they are read as (?P<guess>\w+)")
_KINDS = (
    ("spec", r"\bspec\b|coating"),
    ("zone", r"\bzone\b|time zone|clock ran"),
    ("unit", r"\bunits?\b|celsius|fahrenheit|°C or °F|percent or"),
    ("order", r"day first|month first|date order|order of|day or month"),
    ("role", r"measures?\b|lies on|on the hull|which (probe|column)|role|is the (air|hull)"),
    ("section", r"\bsections?\b|\bwhere\b"),
)  # fmt: skip


def kind_of(what: str) -> str:
    """Return what a question is about, from its words."""
    for kind, words in _KINDS:
        if re.search(words, what, re.IGNORECASE):
            return kind
    return "other"


def questions(printed: str) -> list[Question]:
    """Return what the program said it could not know: the one place that reads it.

    Under `--yes`, setup prints one line for each: `? WHAT: took GUESS (why)`, as in
    `? unit of 'Temp': took degF (34 to 39 could be either; the call stays HOLD)`. WHAT says what
    kind of thing it is by one of these words: spec, zone, unit, "date order", "measures" or "lies
    on the hull" (what a column is), section. A replay may print the same lines.
    """
    found = [
        Question(kind_of(match["what"]), match["what"], match["guess"])
        for match in _TOOK.finditer(printed)
    ]
    if silent := _NO_ZONE.search(printed):
        found.append(Question("zone", silent[0], silent["guess"]))
    return found


def prompt(printed: str) -> Question | None:
    """Return the question that the program waits on: its last line, `? WHAT [GUESS]: `.

    Without `--yes`, setup asks by such a line and reads one line; an empty one takes the guess.
    """
    lines = re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", printed).rstrip().splitlines()
    match = _PROMPT.match(lines[-1]) if lines else None
    return Question(kind_of(match["what"]), match["what"], match["guess"] or "") if match else None


@dataclass(frozen=True, slots=True)
class Verdict:
    """How the program fared with one layout.

    Attributes:
        layout: its name.
        category: one of CATEGORIES.
        why: what was wrong, or lost, or refused; "" where all is right.
        asked: questions that had to be answered, the standing ones left out.
        zone_only: whether the one question was the zone of a file that does not say it.
        unnamed: columns left out that nothing printed names.
        seconds: that the commands took [s].
    """

    layout: str
    category: str
    why: str = ""
    asked: tuple[Question, ...] = ()
    zone_only: bool = False
    unnamed: tuple[str, ...] = ()
    seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class Exported:
    """One channel as the log has it after a replay."""

    point: str
    quantity: str
    values: dict[datetime, float]


@dataclass(frozen=True, slots=True)
class Played:
    """What a replay left behind."""

    ran: Ran
    channels: tuple[Exported, ...]
    go_at: tuple[datetime, ...]
    spec: str = SPEC


class Person(io.TextIOBase):
    """Standard input of somebody who reads the prompt and knows the answers."""

    def __init__(self, layout: Layout, stream: Callable[[], str]) -> None:
        super().__init__()
        self.layout, self.stream, self.seen = layout, stream, 0
        self.asked: list[Question] = []
        self.answers: list[str] = []

    def isatty(self) -> bool:
        """Return that somebody sits there."""
        return True

    def readable(self) -> bool:
        """Return that it can be read."""
        return True

    def readline(self, _size: int | None = -1, /) -> str:  # type: ignore[override]
        """Return the answer to the question printed last; nothing once it is hopeless."""
        question = prompt(self.stream())
        if question is None or len(self.asked) > 30:
            return "\n" if len(self.asked) <= 30 else ""
        again = sum(question.what == before.what for before in self.asked)
        self.asked.append(question)
        self.answers.append(answer_to(self.layout, question, again))
        return self.answers[-1] + "\n"


_ROLES = {
    "surface_temp": ("hull", "surface", "surface_temp", "yes", "y"),
    "air_temp": ("air", "air_temp", "no", "n"),
    "humidity": ("humidity", "rh", "no", "n"),
}
_NOTHING = ("none", "leave out", "no", "n")


def answer_to(layout: Layout, question: Question, again: int = 0) -> str:
    """Return what a person would type, who knows the truth; asked again, other words for it.

    A question that the layout's truth has no answer to gets an empty line: the guess is taken.
    """

    def words(answers: tuple[str, ...]) -> str:
        return answers[min(again, len(answers) - 1)]

    if question.kind in ("zone", "spec"):
        return layout.zone if question.kind == "zone" else SPEC
    if question.kind == "role":
        roles = {series.column: series.quantity for series in layout.series if series.column}
        about = [name for name in (*roles, *layout.left_out) if named(name, question.what)]
        if re.match(r"which\b", question.what, re.IGNORECASE):
            return next((name for name, role in roles.items() if role == "surface_temp"), "none")
        if about:
            longest = max(about, key=len)
            return words(_ROLES[roles[longest]] if longest in roles else _NOTHING)
    fitting = [ask for ask in layout.asks if ask.kind == question.kind]
    return words(fitting[0].answers) if fitting else ""


@contextmanager
def standing_in(folder: Path, zone: str) -> Iterator[None]:
    """Work in a folder, on a computer whose clock shows a zone, with nothing else of the user's."""
    before = Path.cwd()
    home = {name: str(folder / ".home") for name in ("HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME")}
    try:
        with patch.dict(os.environ, {**home, "TZ": zone, "COLUMNS": "200", "NO_COLOR": "1"}):
            os.environ.pop("FILMCALL_DB", None)
            os.chdir(folder)
            time.tzset()
            yield
    finally:
        os.chdir(before)
        time.tzset()


def command(*words: str) -> Ran:
    """Run the program; what it raises becomes the traceback that a shell would show."""
    try:
        return filmcall(*words)
    except Exception:  # noqa: BLE001  whatever the program raises is what is looked for
        return Ran(1, "", traceback.format_exc())


def crashed(ran: Ran) -> bool:
    """Return whether a traceback was shown."""
    return "Traceback (most recent call last)" in ran.out + ran.err


def whole_second(at: datetime) -> datetime:
    """Return the nearest second: a spreadsheet's days to six decimals are 0.04 s off."""
    return (at + timedelta(microseconds=500_000)).replace(microsecond=0)


def play(path: Path, *options: str) -> Played:
    """Replay a recording into a log of its own, and read calls and readings back."""
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "trial.db"
        ran = command("replay", str(path), "--jsonl", "--all", "--db", str(log), *options)
        if ran.code or not log.exists():
            return Played(ran, (), ())
        out = command("export", "readings", "--format", "jsonl", "--db", str(log)).out
    found: dict[tuple[str, str], dict[datetime, float]] = {}
    for text in out.splitlines():
        row = json.loads(text)
        if row["value"] is None or row["quality"] == "implausible":
            continue
        at = whole_second(datetime.fromisoformat(row["time"]))
        found.setdefault((row["point"], row["quantity"]), {})[at] = float(row["value"])
    calls = [json.loads(text) for text in ran.out.splitlines() if text.startswith("{")]
    return Played(
        ran,
        tuple(Exported(point, quantity, values) for (point, quantity), values in found.items()),
        tuple(datetime.fromisoformat(one["time"]) for one in calls if one["call"] == "GO"),
        str(calls[-1]["spec"]) if calls else SPEC,
    )


def tolerance(quantity: str) -> float:
    """Return how far a value may be off [K or %]."""
    return HUMIDITY_OFF_PCT if quantity == "humidity" else TEMPERATURE_OFF_K


def near(value: float, other: float, quantity: str) -> bool:
    """Return whether a value is right."""
    return abs(value - other) <= tolerance(quantity)


def fit(series: Series, channel: Exported) -> int:
    """Return how many values of a series a channel has right."""
    return sum(
        at in channel.values and near(channel.values[at], value, series.quantity)
        for at, value in series.values
    )


@dataclass(slots=True)
class Findings:
    """How a replay's readings differ from the truth."""

    wrong: list[str]
    absent: list[Series]
    lost: list[tuple[Series, int]]


_MISTAKEN: tuple[tuple[str, Callable[[float], float]], ...] = (
    ("°F taken for °C", lambda value: (value - 32.0) / 1.8),
    ("°C taken for °F", lambda value: value * 1.8 + 32.0),
    ("fraction taken for percent", lambda value: value * 100.0),
    ("kelvin taken for °C", lambda value: value - 273.15),
)


def misread(series: Series, channels: Sequence[Exported]) -> tuple[str, Exported | None]:
    """Say how a series that no channel has right was misread, and where; "" where it is absent."""
    truth = dict(series.values)
    ordered = [value for _, value in series.values]
    for channel in channels:
        got = [channel.values[at] for at in sorted(channel.values)]
        if (
            channel.quantity == series.quantity
            and len(got) > 5
            and all(near(a, b, series.quantity) for a, b in zip(got, ordered, strict=False))
        ):
            off = min(channel.values) - series.values[0][0]
            return f"{series.column!r} {off.total_seconds() / 3600.0:+g} h off", channel
    for channel in channels:
        both = [at for at in channel.values if at in truth]
        if not both:
            continue
        as_said = [channel.values[at] for at in both]
        for words, back in _MISTAKEN:
            if channel.quantity == series.quantity and all(
                near(back(v), truth[at], series.quantity)
                for v, at in zip(as_said, both, strict=True)
            ):
                return f"{series.column!r}: {words}", channel
        if channel.quantity != series.quantity and all(
            near(v, truth[at], series.quantity) for v, at in zip(as_said, both, strict=True)
        ):
            words = f"{series.column!r} ({series.quantity}) taken for {channel.quantity}"
            return words, channel
    return "", None


def compare(layout: Layout, channels: Sequence[Exported]) -> Findings:
    """Hold the readings in the log against the truth, each series with the channel that fits."""
    found = Findings([], [], [])
    free = list(channels)
    scored = sorted(
        (
            (fit(series, channel), number, series, channel)
            for number, series in enumerate(layout.series)
            for channel in channels
            if channel.quantity == series.quantity
        ),
        key=lambda each: (-each[0], each[1]),
    )
    taken: dict[int, Exported] = {}
    for score, number, series, channel in scored:
        if 2 * score < len(channel.values) or number in taken or channel not in free:
            continue
        taken[number] = channel
        free.remove(channel)
        truth = dict(series.values)
        off = [
            at
            for at, value in channel.values.items()
            if at not in truth or not near(value, truth[at], series.quantity)
        ]
        if off:
            found.wrong.append(
                f"{series.column!r}: {len(off)} of {len(channel.values)} values wrong, first at "
                f"{min(off):%Y-%m-%dT%H:%MZ}"
            )
        if lost := sum(at not in channel.values for at in truth):
            found.lost.append((series, lost))
    for number, series in enumerate(layout.series):
        if number in taken:
            continue
        words, channel_of = misread(series, free)
        if channel_of is not None:
            found.wrong.append(words)
            free.remove(channel_of)
        else:
            found.absent.append(series)
    for channel in free:
        if channel.quantity in ("air_temp", "humidity", "surface_temp"):
            first = next(iter(channel.values.items()))
            found.wrong.append(
                f"{channel.quantity} of {channel.point!r} is none of the truth "
                f"({first[1]:.2f} at {first[0]:%Y-%m-%dT%H:%MZ})"
            )
    return found


def truth_allows_go(layout: Layout, at: datetime, spec: str = SPEC) -> bool:
    """Return whether no bound of the spec is broken by what was true just before."""
    now: dict[tuple[str, str], float] = {}
    for number, series in enumerate(layout.series):
        past = [(when, value) for when, value in series.values if when <= at]
        if past and at - past[-1][0] <= timedelta(minutes=35):
            now[(series.quantity, f"{series.body}/{number}")] = past[-1][1]
    low, high = GO_TEMP_C[0] - SLACK, GO_TEMP_C[1] + SLACK
    hulls = [value for (quantity, _), value in now.items() if quantity == "surface_temp"]
    airs = {key[1]: value for key, value in now.items() if key[0] == "air_temp"}
    damp = {key[1]: value for key, value in now.items() if key[0] == "humidity"}
    if not hulls or not damp or not all(low <= one <= high for one in (*hulls, *airs.values())):
        return False
    for where, rh in damp.items():
        body = where.split("/")[0]
        own = [value for key, value in airs.items() if key.split("/")[0] == body]
        if rh > (GO_RH_PCT if spec == SPEC else GO_LAX_RH_PCT) + SLACK:
            return False
        if own and min(hulls) - dew_point_c(own[0], rh) < GO_MARGIN_K - SLACK:
            return False
    return True


def named(name: str, printed: str) -> bool:
    """Return whether a column is named in what was printed, not as a part of a word."""
    wanted = re.escape(" ".join(name.split()).casefold())
    text = " ".join(printed.split()).casefold()
    return re.search(rf"(?<!\w){wanted}(?!\w)", text) is not None


_LOSS = re.compile(
    r"\b(skipped|left out|not read|(cannot|could not) be read|dropped|set aside|unread|missing"
    r"|lost)\b"
)
_PLACE = re.compile(r"\b(?:lines?|rows?) (\d+)\b")


def said_lost(count: int, printed: str) -> bool:
    """Return whether so many rows or values that were not read are told of.

    Either a sentence of loss gives a number at least as great, or as many places are named, or
    one says from where on the file ends. "100 rows played" tells of no loss, and no more does
    "0 rows skipped".
    """
    places: set[str] = set()
    for sentence in re.split(r"(?<=[.;,])\s|\n", printed):
        if not _LOSS.search(sentence):
            if "ends" in sentence.split() and _PLACE.search(sentence):
                return True
            continue
        places.update(_PLACE.findall(sentence))
        if any(int(each) >= count for each in re.findall(r"\d+", _PLACE.sub("", sentence))):
            return True
    return len(places) >= count


@dataclass(frozen=True, slots=True)
class Try:
    """One way through the program with one layout: what it printed, played and asked."""

    printed: str
    played: Played
    asked: tuple[Question, ...]
    answered: bool


@dataclass(frozen=True, slots=True)
class Faults:
    """What is wrong in silence, what is off though a question told of it, what is left out."""

    wrong: list[str]
    told: list[str]
    left: list[str]


def faults(layout: Layout, one: Try) -> Faults:
    """Hold a result against the truth.

    What a file does not say may be guessed only where a question tells of it; while a unit is not
    known, no call may be GO.
    """
    found = compare(layout, one.played.channels)
    kinds = {question.kind for question in one.asked}
    wrong: list[str] = []
    told: list[str] = []
    left: list[str] = []
    open_kinds = set() if one.answered else kinds & {"unit", "role", "order", "zone"}
    (told if open_kinds or (one.answered and one.asked) else wrong).extend(found.wrong)
    for ask in layout.asks:
        concerned = [series for series in layout.series if series.column in ask.about]
        used = not concerned or any(series not in found.absent for series in concerned)
        if ask.kind not in kinds and used and not one.answered and one.played.channels:
            wrong.append(
                f"{ask.kind} of {', '.join(ask.about) or 'the times'} taken without a word"
            )
    if one.played.go_at:
        if "unit" in open_kinds and any(ask.kind == "unit" for ask in layout.asks):
            wrong.append(f"GO at {one.played.go_at[0]:%H:%MZ} while the unit is not known")
        elif bad := [
            at for at in one.played.go_at if not truth_allows_go(layout, at, one.played.spec)
        ]:
            is_told = bool(open_kinds) and bool(found.wrong)
            words = f"GO at {bad[0]:%Y-%m-%dT%H:%MZ}, which the truth forbids"
            (told if is_told else wrong).append(words)
    for series, count in found.lost:
        words = f"{series.column!r}: {count} of {len(series.values)} values lost"
        if not said_lost(count, one.printed):
            wrong.append(words)
        elif count > FEW * len(series.values):
            left.append(words)
    for series in found.absent:
        words = f"{series.column!r} ({series.quantity}) not used"
        if not named(series.column, one.printed):
            wrong.append(words + ", and not named")
        elif series.required:
            left.append(words)
    return Faults(wrong, told, left)


def refusal(layout: Layout, ran: Ran, started: float) -> Verdict:
    """Judge an end without a result: one sentence that names the trouble, or not."""
    seconds = time.perf_counter() - started
    words = " ".join((ran.err or ran.out).split())
    for name in {layout.entry, *(Path(path).name for path, _ in layout.files)}:
        words = words.replace(name, "FILE")  # its name alone says nothing of the trouble
    if crashed(ran):
        return Verdict(layout.name, CRASHED, words[-160:], seconds=seconds)
    names = layout.trouble or (
        *(series.column for series in layout.series if series.column), *layout.left_out,
        "time", "header", "zone", "unit", "folder", "encod", "line ", "row ",
    )  # fmt: skip
    is_named = any(name.lower() in words.lower() for name in names)
    return Verdict(layout.name, REFUSED if is_named else MUTE, words[:240], seconds=seconds)


def verdict(layout: Layout, one: Try, started: float) -> Verdict:
    """Judge a way that came to a result."""
    seconds = time.perf_counter() - started
    asked = tuple(question for question in one.asked if question.kind not in STANDING)
    zone_only = len(asked) == 1 and asked[0].kind == "zone" and layout.zone_is_silent
    unnamed = tuple(name for name in layout.left_out if not named(name, one.printed))
    if layout.trouble and one.played.channels:
        off = Faults(["a file that cannot be read was read"], [], [])
    else:
        off = faults(layout, one)
    if off.wrong:
        category = WRONG
    elif off.told:
        category = ASKED
    elif off.left:
        category = PART
    else:
        category = RIGHT if not asked else ONE if len(asked) == 1 else MORE
    why = "; ".join([*off.wrong, *off.told, *off.left])
    return Verdict(layout.name, category, why, asked, zone_only, unnamed, seconds)


def try_replay(layout: Layout) -> Verdict:
    """Replay the bare file; where it says that the zone is not known, once more with the zone."""
    started = time.perf_counter()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = layout.write(folder)
        with standing_in(folder, layout.zone if layout.zone_is_silent else ELSEWHERE):
            played = play(path, "--spec", SPEC)
            asked = questions(played.ran.err)
            if not played.ran.code and any(each.kind == "zone" for each in asked):
                zone_only = all(each.kind in ("zone", *STANDING) for each in asked)
                again = play(path, "--spec", SPEC, "--timezone", layout.zone)
                if again.ran.code or crashed(again.ran):
                    return refusal(layout, again.ran, started)
                told = Try(again.ran.err, again, tuple(asked), answered=False)
                found = verdict(layout, told, started)
                if zone_only and found.category == ASKED:  # the zone was answered; nothing is open
                    return Verdict(
                        layout.name, WRONG, found.why, found.asked, seconds=found.seconds
                    )
                return found
    if played.ran.code or crashed(played.ran):
        return refusal(layout, played.ran, started)
    return verdict(layout, Try(played.ran.err, played, tuple(asked), answered=False), started)


def config_in(folder: Path) -> Path | None:
    """Return the config that setup wrote into a folder: the TOML file that has an enclosure."""
    for path in sorted(folder.rglob("*.toml")):
        if "[[enclosure]]" in path.read_text(encoding="utf-8"):
            return path
    return None


def set_up(layout: Layout, folder: Path, *, yes: bool) -> tuple[Ran, Try | None]:
    """Run setup in a folder that holds nothing but the recording, and replay with its config."""
    path = layout.write(folder)
    stdin = Person(layout, lambda: printed_so_far())
    with standing_in(folder, layout.zone if layout.zone_is_silent else ELSEWHERE):
        words = ("setup", str(path.relative_to(folder)), *(("--yes",) if yes else ()))
        with patch.object(sys, "stdin", io.StringIO() if yes else stdin):
            ran = command(*words)
        config = config_in(folder)
        if ran.code or crashed(ran) or config is None:
            return ran, None
        played = play(path, "--config", str(config))
    printed = "\n".join((ran.out, ran.err, config.read_text(encoding="utf-8"), played.ran.err))
    asked = questions(ran.out + ran.err) if yes else stdin.asked
    unlike = {(each.kind, each.what): each for each in asked}
    return ran, Try(printed, played, tuple(unlike.values()), answered=not yes)


def printed_so_far() -> str:
    """Return what the running command has printed, both streams."""
    parts = [
        stream.getvalue() for stream in (sys.stdout, sys.stderr) if hasattr(stream, "getvalue")
    ]
    parts.sort(key=lambda text: prompt(text) is not None)
    return "\n".join(parts)


def try_setup(layout: Layout) -> Verdict:
    """Run setup with `--yes`; where a guess it told of is off, or holds GO back, answer instead."""
    started = time.perf_counter()
    with tempfile.TemporaryDirectory() as name:
        ran, one = set_up(layout, Path(name), yes=True)
    if one is None:
        return refusal(layout, ran, started)
    if one.played.ran.code or crashed(one.played.ran):
        return refusal(layout, one.played.ran, started)
    found = verdict(layout, one, started)
    is_open = any(question.kind == "unit" for question in found.asked) or (
        found.asked and found.category in (ASKED, PART)
    )
    if found.category == WRONG or not is_open:
        return found
    with tempfile.TemporaryDirectory() as name:
        ran, two = set_up(layout, Path(name), yes=False)
    if two is None or two.played.ran.code or crashed(two.played.ran):
        why = " ".join((ran.err or ran.out).split())[-160:]
        return Verdict(layout.name, ASKED, f"{found.why}; then {why}", found.asked,
                       seconds=time.perf_counter() - started)  # fmt: skip
    return verdict(layout, two, started)


def is_right(layout: Layout, found: Verdict, questions_allowed: int) -> bool:
    """Return whether a layout fared as it should with at most so many questions.

    A file that cannot be read is right where it was refused by name. The zone of a file that does
    not say it is no fault of the reader's, and is not counted among the questions.
    """
    if layout.trouble:
        return found.category == REFUSED
    counted = sum(
        not (question.kind == "zone" and layout.zone_is_silent) for question in found.asked
    )
    return found.category in (RIGHT, ONE, MORE) and counted <= questions_allowed


def needs(layout: Layout) -> int:
    """Return how many questions a person would have to be asked at least, the zone left out.

    One question settles which of two probes lies on the hull.
    """
    return len({ask.kind for ask in layout.asks} - {"zone"})


def tally(layouts: Sequence[Layout], attempt: Callable[[Layout], Verdict]) -> list[Verdict]:
    """Try a set."""
    return [attempt(layout) for layout in layouts]
