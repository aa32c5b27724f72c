"""The same traffic through a real broker and through replay gives the same calls at the same times.

The program runs by a clock that is 110 times as fast as the machine's, so that 64 min of messages
take 35 s; each message goes out when that clock says so, over deploy's own broker and accounts.
What was sent is then written as a recording, a row a message, and played by the same config.
"""

from __future__ import annotations

import json
import random
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from command import filmcall
from recorded import BEGIN_S, MINUTE_S, Row, point, seconds_after, spec_text, write_rows
from watched import Bench, FastClock, wait_for

from tests.system.broker import mosquitto
from tests.system.conftest import need

TIMES = 110.0
MINUTES = 64
SLACK_S = 65.0  # one row in a minute, or 0.6 s of the machine's; what was sent late is added


@dataclass
class Traffic:
    """What the bodies of one tent say, in the order in which they say it.

    Attributes:
        name: of the tent.
        sent: when, by which account, and the cells [s after the beginning].
        ahead_s: by how much each account's own clock is ahead; those without go by arrival [s].
    """

    name: str
    sent: list[tuple[float, str, dict[str, str]]] = field(default_factory=list)
    ahead_s: dict[str, float] = field(default_factory=dict)

    def config(self) -> str:
        found = f'\n[[enclosure]]\nname = "{self.name}"\nspec = "trial.toml"\n'
        for account in dict.fromkeys(account for _, account, _ in self.sent):
            topic = {"topic": f"shed/{account}/{self.name}"}
            if account in self.ahead_s:
                topic["time"] = "at"
            if account == "plank-port":
                found += point(
                    account, "surface_temp", "plank", value="v", rate_floor="30 K", **topic
                )
                continue
            for quantity, key in (("air_temp", "t"), ("humidity", "rh")):
                found += point(account, quantity, f"{key}_{account}", value=key, **topic)
        return found

    def payload(self, account: str, cells: dict[str, str], now_s: float) -> str:
        """Return a message with these cells; one that is no number goes as text."""
        body: dict[str, object] = {}
        for name, cell in cells.items():
            key = "v" if name == "plank" else name.partition("_")[0]
            try:
                body[key] = float(cell)
            except ValueError:
                body[key] = cell
        if account in self.ahead_s:
            body["at"] = now_s + self.ahead_s[account]
        return json.dumps(body)

    def rows(self, begin_s: float) -> Iterator[Row]:
        """Yield a recording's rows, by the body's own clock."""
        for at_s, account, cells in self.sent:
            yield at_s + begin_s - BEGIN_S + self.ahead_s.get(account, 0.0), cells


def tent_traffic(
    name: str,
    *,
    seed: int,
    silent: tuple[int, int] = (0, 0),
    errors: tuple[int, ...] = (),
    stern: bool = False,
    same_second: bool = False,
    ahead_s: float = 0.0,
) -> Traffic:
    """A good tent: its hull is near the bound at 18 min, past it at 22, and dry at 28."""
    made, found = random.Random(seed), Traffic(name)
    if ahead_s:
        found.ahead_s["air-stern"] = ahead_s

    def say(at_s: float, account: str, **cells: float | str) -> None:
        found.sent.append(
            (
                at_s,
                account,
                {
                    key.replace("__", "-"): f"{value + made.gauss(0.0, 0.03):.2f}"
                    if isinstance(value, float)
                    else value
                    for key, value in cells.items()
                },
            )
        )

    for minute in range(MINUTES):
        at_s = MINUTE_S * minute
        say(at_s, "air-bow", **{"t_air-bow": 20.0, "rh_air-bow": 50.0})
        if stern:
            later_s = 0.0 if same_second else 10.0
            say(at_s + later_s, "air-stern", **{"t_air-stern": 20.0, "rh_air-stern": 50.0})
        hull_c = 12.9 if 18 <= minute < 22 else 11.0 if 22 <= minute < 28 else 19.0
        if not silent[0] <= minute < silent[1]:
            later_s = 0.0 if same_second else 20.0
            say(at_s + later_s, "plank-port", plank="ERR" if minute in errors else hull_c)
    return found


ALL = [
    tent_traffic("calm", seed=1),
    tent_traffic("silence", seed=2, silent=(46, 51)),
    tent_traffic("errors", seed=3, errors=(46,)),
    tent_traffic("together", seed=4, stern=True, same_second=True),
    tent_traffic("ahead", seed=5, stern=True, ahead_s=600.0),
]


@dataclass(frozen=True, slots=True)
class Heard:
    """What came of one run: the changes told live, and where its config and begin are.

    Attributes:
        folder: with the config.
        begin_s: when the traffic began, by the faster clock.
        late_s: how late the latest message went out, since the machine was busy.
        calls: the changes of each tent's call, and when they came after the beginning.
    """

    folder: Path
    begin_s: float
    late_s: float
    calls: dict[str, list[tuple[str, float]]]


def changes(told: list[dict[str, object]], begin_s: float) -> list[tuple[str, float]]:
    """Return each change of the call and when it came [s after the beginning]."""
    found: list[tuple[str, float]] = []
    for each in told:
        if not found or found[-1][0] != each["call"]:
            found.append((str(each["call"]), seconds_after(each["time"]) + BEGIN_S - begin_s))
    return found


@pytest.fixture(scope="module")
def heard(tmp_path_factory: pytest.TempPathFactory) -> Heard:
    """Send all traffic once, through one broker and one program.

    On a machine that stands still for a quarter of a second the line is half a minute behind by the
    faster clock, which rightly is no GO: then it is sent again at a slower one.
    """
    need("mosquitto", mosquitto() is not None)
    for times in (TIMES, TIMES / 2.0, TIMES / 4.0):
        found = sent_at(times, tmp_path_factory.mktemp("live"))
        if all("GO" in dict(calls) for calls in found.calls.values()):
            break
    return found


def sent_at(times: float, folder: Path) -> Heard:
    """Send all traffic by a clock so many times as fast as the machine's."""
    (folder / "trial.toml").write_text(spec_text("trial"))
    bench = Bench(folder)
    try:
        head = f'[broker]\nhost = "127.0.0.1"\nport = {bench.yard.port}\nusername = "filmcall"\n'
        head += 'password_file = "password"\n[publish]\nstation = "bench"\n'
        head += '[replay]\ntime = "time"\n'
        clock = FastClock(time.time(), (time.time() // 3600.0 + 1.0) * 3600.0, times)
        senders = {
            account: bench.closing(bench.yard.sensor(account, version))
            for account, version in (("air-bow", "5"), ("air-stern", "3.1.1"), ("plank-port", "5"))
        }
        bench.watch_text(head + "".join(each.config() for each in ALL), clock)
        assert wait_for(
            lambda: all(bench.lamp.topics(f"filmcall/{each.name}/call") for each in ALL), 40.0
        )
        begin_s, late_s = (clock.now_s() // MINUTE_S + 2.0) * MINUTE_S, 0.0
        every = [(at_s, account, cells, each) for each in ALL for at_s, account, cells in each.sent]
        for at_s, account, cells, traffic in sorted(every, key=lambda each: each[0]):
            clock.sleep_until(begin_s + at_s)
            late_s = max(late_s, clock.now_s() - begin_s - at_s)
            payload = traffic.payload(account, cells, clock.now_s())
            senders[account].send(f"shed/{account}/{traffic.name}", payload)
        clock.sleep_until(begin_s + MINUTES * MINUTE_S)
        calls = {
            each.name: changes(
                [m.json() for m in bench.lamp.topics(f"filmcall/{each.name}/call") if m.payload],
                begin_s,
            )
            for each in ALL
        }
        assert bench.program is not None
        assert bench.program.alive(), bench.program.said[-500:]
        return Heard(folder, begin_s, late_s, calls)
    finally:
        bench.close()


@pytest.mark.parametrize("traffic", ALL, ids=lambda each: each.name)
def test_live_traffic_and_its_recording_give_the_same_calls(heard: Heard, traffic: Traffic) -> None:
    file = write_rows(heard.folder / f"{traffic.name}.csv", traffic.rows(heard.begin_s))
    words = ("--config", str(heard.folder / "watch.toml"), "--enclosure", traffic.name, "--jsonl")
    ran = filmcall("replay", str(file), *words)
    assert ran.code == 0, ran.err
    played = changes([json.loads(line) for line in ran.out.splitlines()], heard.begin_s)
    live = heard.calls[traffic.name]
    slack_s = SLACK_S + heard.late_s
    assert [word for word, _ in live] == [word for word, _ in played]
    # The program had begun before the first message, with a HOLD; the recording begins with it.
    for (word, live_s), (_, played_s) in list(zip(live, played, strict=True))[1:]:
        assert abs(live_s - played_s) <= slack_s, (word, live_s, played_s)
    # And the calls are those that the traffic should have.
    told = dict.fromkeys(word for word, _ in live)
    assert list(told) == ["HOLD", "GO", "STOP"]
    stop_s = next(at_s for word, at_s in live if word == "STOP")
    assert 22 * MINUTE_S <= stop_s <= 22 * MINUTE_S + slack_s
