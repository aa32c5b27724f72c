"""Reads counts and shares from what the safety, kill and outlook benchmarks print.

`readers.py` reads the times and sizes.
"""

from __future__ import annotations

import re

from benchmarks.figures import Figure, Unread, number, numbers


def read_safety(output: str) -> list[Figure]:
    """Read `safety.py`, run once or for one batch of seeds after the other."""

    def every(pattern: str) -> list[float]:
        found = [float(each) for each in re.findall(pattern, output)]
        if len(found) != len(batches):
            raise Unread(f"not {len(batches)} of {pattern!r}")
        return found

    batches = re.findall(r"(\d+) seeds of ([\d.]+) days: \d+ h simulated", output)
    if not batches:
        raise Unread("no batch of seeds")
    seeds, days = sum(int(each) for each, _ in batches), float(batches[0][1])
    hours = sum(every(r"days: (\d+) h simulated"))
    go_h, stop_h = sum(every(r"under GO (\d+) h")), sum(every(r"under STOP (\d+) h"))
    lines = "".join(re.findall(r"faults put in: (.*)", output))
    faults = sum(map(int, re.findall(r"'[a-z]+': (\d+)", lines)))
    false_go = sum(every(r"false GO steps: (\d+)"))
    drift = sum(every(r"false GO steps: \d+, and (\d+) while"))
    missed = sum(every(r"missed STOP: (\d+)"))
    false_stop = sum(every(r"false STOP: (\d+)"))
    fault_stop = sum(every(r"false STOP: \d+, and (\d+) while"))
    late = sum(every(r"coat after its recoat window: (\d+)"))
    lost, chain = sum(every(r"events lost: (\d+)")), sum(every(r"found in a log: (\d+)"))
    growth = max(every(r"memory grew by at most ([\d.-]+) MiB"))
    handles = max(every(r"open files grew by at most (-?\d+)"))
    steps = hours * 120.0
    over = f"{seeds} seed{'s' * (seeds != 1)} of {days:g} days, {hours:,.0f} h, {faults} faults"
    return [
        Figure(
            f"false GO, in steps of 30 s ({over})",
            "0",
            f"{false_go:.0f}",
            false_go == 0,
            f"of {steps:,.0f} steps, {go_h:,.0f} h of them under GO; and {drift:.0f} while a probe "
            "drifted or stuck beyond its stated accuracy",
        ),
        Figure(
            "missed STOP, over 5 min",
            "0",
            f"{missed:.0f}",
            missed == 0,
            f"in {hours:,.0f} h, {stop_h:,.0f} h of them under STOP",
        ),
        Figure(
            "false STOP, no probe failing",
            "",
            f"{false_stop:.0f}",
            None,
            f"in {hours:,.0f} h; and {fault_stop:.0f} while a probe failed. Not counted: "
            f"{late:.0f} for a coat that went on after its recoat window",
        ),
        Figure(
            "events lost, changes found in a log",
            "0, 0",
            f"{lost:.0f}, {chain:.0f}",
            lost == 0 and chain == 0,
            f"in {seeds} logs with kills, full disks and set clocks",
        ),
        Figure(
            "growth over a soak, worst seed: memory, open files",
            "",
            f"{growth:.1f} MiB, {handles:.0f}",
            None,
            "from a tenth of the run to its end, in a process that runs many",
        ),
    ]


def read_broker(output: str) -> list[Figure]:
    """Read `safety.py --broker`."""
    (restarts,) = numbers(output, r"broker restarts: (\d+)")
    sent, lost = numbers(output, r"readings sent (\d+), lost (\d+)")
    words, untold = numbers(output, r"words to be heard (\d+), not heard (\d+)")
    wills, unwilled = numbers(output, r"last wills (\d+), not heard (\d+)")
    false_go, missed, *_ = read_safety(output)
    return [
        Figure(
            f"the same through a real broker, by the word heard: {false_go.what}; missed STOP",
            "0, 0",
            f"{false_go.measured}, {missed.measured}",
            bool(false_go.met and missed.met),
            false_go.beside,
        ),
        Figure(
            "its readings, words and last wills that did not arrive",
            "0, 0, 0",
            f"{lost:.0f}, {untold:.0f}, {unwilled:.0f}",
            not (lost or untold or unwilled),
            f"of {sent:,.0f}, {words:,.0f} and {wills:.0f}, and the broker was stopped and "
            f"started {restarts:.0f} times",
        ),
    ]


def read_kills(output: str) -> list[Figure]:
    """Read `kills.py`: both kinds of kill together."""

    def both(pattern: str) -> tuple[int, ...]:
        found = re.findall(pattern, output)
        if len(found) != 2:
            raise Unread(f"not two of {pattern!r}")
        pairs = [each if isinstance(each, tuple) else (each,) for each in found]
        return tuple(sum(int(each) for each in column) for column in zip(*pairs, strict=True))

    (rounds,) = both(r": (\d+) kills")
    events, events_lost = both(r"events acknowledged (\d+), lost (\d+)")
    calls, calls_lost = both(r"calls told (\d+), not in the log (\d+)")
    heard, heard_lost = both(r"heard at the broker (\d+), not in the log (\d+)")
    (stops,) = both(r"did not come back as STOP: (\d+)")
    readings, lost = both(r"readings (\d+), lost (\d+)")
    oldest = max(float(each) for each in re.findall(r"oldest lost reading ([\d.]+) s", output))
    problems = output.count("PROBLEM")
    gone = events_lost + calls_lost + heard_lost + stops
    return [
        Figure(
            f"events, calls and STOPs lost by {rounds} kills, damaged logs",
            "0, 0",
            f"{gone}, {problems}",
            gone == 0 and problems == 0,
            f"of {events:,} events acknowledged, {calls:,} calls told and {heard:,} heard",
        ),
        Figure(
            "oldest reading that a kill took",
            "≤ 5 s old",
            f"{oldest:.2f} s",
            oldest <= 5.0,
            f"{oldest / 5.0:.2f} of what is allowed; {lost:,} of {readings:,} readings lost",
        ),
    ]


def read_power_cuts(output: str) -> list[Figure]:
    """Read `kills.py --model`: three disks."""
    found = re.findall(r"disk: (\d+) power cuts, (\d+) rows.*?(\d+) cuts that.*?(\d+) damaged",
                       output)  # fmt: skip
    if len(found) != 3:
        raise Unread("not three disks")
    honest, late, false = ([int(each) for each in disk] for disk in found)
    problems = output.count("PROBLEM")
    return [
        Figure(
            f"told rows lost by {honest[0]:,} power cuts of an honest disk; anything else wrong",
            "0; 0",
            f"{honest[1]}; {problems}",
            not honest[1] and not problems,
            f"a late disk lost some in {late[2]:,} cuts, each shown by the witness's seal; a false "
            f"one damaged {false[3]:,} logs, each said",
        )
    ]


def read_fuzz(output: str) -> list[Figure]:
    """Read `fuzz.py`: all doors together."""
    found = re.search(r"^all +([\d,]+) executions, (\d+) faults", output, re.MULTILINE)
    if found is None:
        raise Unread("no count of all executions")
    doors = output.count(" executions, ") - 1
    return [
        Figure(
            f"faults found by the fuzzer at {doors} doors",
            "0",
            found[2],
            found[2] == "0",
            f"{found[1]} executions",
        )
    ]


def read_outlook(output: str) -> list[Figure]:
    """Read `outlook.py`."""
    growing = output.split("Real room, log growing")[1].split("simulated tents, by the log")[0]
    tents = output.split("simulated tents, by the log")[1]
    found = []
    for title, text in (
        ("the real room recording, log growing", growing),
        ("the simulated tents", tents),
    ):
        wins, worst = numbers(text, r"rms: better than both .* on (\d) of 3.*at worst ([\d.]+)")
        mean_wins, mean_worst = numbers(text, r"mean: better .* on (\d) of 3.*at worst ([\d.]+)")
        found.append(
            Figure(
                f"outlook on {title}: quantities better than both baselines from 60 min on",
                "≥ 2 of 3, nowhere over 1.05 × persistence",
                f"{wins:.0f} by rms, {mean_wins:.0f} by mean error",
                min(wins, mean_wins) >= 2 and max(worst, mean_worst) <= 1.05,
                f"at worst {worst:.2f} (rms) and {mean_worst:.2f} (mean) × persistence; the other "
                "baseline is a straight line",
                "For humidity or dew point one of the baselines is as good at some horizon: the "
                "recording is one office over five days, with people coming and going. The tables "
                "of `benchmarks/outlook.py` tell each horizon.",
            )
        )
    nights, line = re.findall(r"bands, (\d+) nights: (.*)", tents)[0]
    together = number(line, r"together ([\d.]+) %")
    each = [float(share) for share in re.findall(r"([\d.]+)%", line)]
    found.append(
        Figure(
            f"what its 80 % bands held on {nights} simulated nights",
            "75 to 85 %",
            f"{together:.1f} %, by quantity {min(each):.1f} to {max(each):.1f} %",
            all(75.0 <= share <= 85.0 for share in (together, *each)),
            f"{together / 80.0:.3f} of the 80 % that they say",
        )
    )
    breaks, days, warned, false = numbers(
        output, r"outlook by the log +(\d+) breaks in (\d+) days, +([\d.]+) % .*, ([\d.]+) false"
    )
    base, base_false = numbers(output, r"carried 60 min .* ([\d.]+) % .*, ([\d.]+) false a day")
    found.append(
        Figure(
            f"breaks of the margin warned of 30 min ahead ({breaks:.0f} in {days:.0f} days)",
            "",
            f"{warned:.1f} %, {false:.2f} false a day",
            None,
            f"last hour's trend carried 60 min: {base:.1f} %, {base_false:.2f} false a day",
        )
    )
    return found
