"""Reads times and sizes from what each benchmark prints, and holds them against their targets.

`counts.py` reads what is counted.
Targets are those of the project's design and issues.
"""

from __future__ import annotations

import re

from benchmarks.figures import Figure, Unread, number, numbers


def read_dew_point(output: str) -> list[Figure]:
    """Read `dew_point.py`."""
    rate, times, share = numbers(output, r"^numpy, dew point\s+([\d.]+)\s+([\d.]+)\s+([\d.]+)%")
    off_k = number(output, r"exact inversion: ([\d.e+-]+) K")
    return [
        Figure(
            "dew points, numpy path, one core",
            "≥ 20 million a second",
            f"{rate:.1f} million a second",
            rate >= 20.0,
            f"{times:.0f} × PsychroLib in a loop; {share:.0f} % of numpy's exp alone",
        ),
        Figure(
            "their largest difference from the exact inversion",
            "≤ 0.001 K",
            f"{off_k:.1e} K",
            off_k <= 0.001,
            f"{off_k / 0.001:.3f} of the target",
        ),
    ]


def read_replay(output: str) -> list[Figure]:
    """Read `replay.py`: the longest recording counts."""
    rows = re.findall(r"^(\d+) +(\d+) +(\d+) +([\d.]+) +(\d+) +([\d.]+)$", output, re.MULTILINE)
    if not rows:
        raise Unread("no line of a replay")
    count, _, rate, times, peak_mib, row_us = map(float, rows[-1])
    first, first_mib, first_us = float(rows[0][0]), float(rows[0][4]), float(rows[0][5])
    return [
        Figure(
            f"replay at full speed with log, {count:,.0f} rows of four readings",
            "≥ 250,000 readings a second",
            f"{rate:,.0f} readings a second, {row_us:.0f} µs a row",
            rate >= 250_000.0,
            f"{times:.0f} × the time in which pandas reads the same file",
            "A profile says that most goes to judging points and limits reading by reading, in the "
            "plain Python that the live watch runs too.",
        ),
        Figure(
            "how its cost and memory grow",
            "",
            f"{row_us / first_us:.2f} × the time a row, {peak_mib:.0f} MiB",
            None,
            f"beside {first:,.0f} rows, {first_mib:.0f} MiB",
        ),
    ]


def read_latency(output: str) -> list[Figure]:
    """Read the first half of `watch.py`."""
    p50, p99, worst, count = numbers(
        output, r"call change +p50 ([\d.]+) ms, p99 ([\d.]+) ms, worst ([\d.]+) ms of (\d+)"
    )
    bare99, ratio = numbers(output, r"bare broker .*p99 ([\d.]+) ms; ratio [\d.]+ and ([\d.]+)")
    return [
        Figure(
            "a reading that changes the call → message at a subscriber, 200 readings a second",
            "p99 ≤ 50 ms",
            f"p99 {p99:.1f} ms, p50 {p50:.1f}, worst {worst:.0f}, of {count:.0f} changes",
            p99 <= 50.0,
            f"{ratio:.1f} × the p99 of a message over the same broker with nothing between "
            f"({bare99:.1f} ms)",
            "The call waits for the log's commit to the disk, and for a processor while other "
            "programs hold them.",
        )
    ]


def read_intake(output: str) -> list[Figure]:
    """Read the second half of `watch.py`, then `intake.py`."""
    sent, took_s = numbers(output, r"^sent +(\d+) in ([\d.]+) s\nin the log")
    logged, lost = numbers(output, r"^in the log +(\d+), lost (-?\d+)")
    rate = number(output, r"^in the log.*\nrate +([\d.]+) a second")
    early, late = numbers(
        output, r"^memory +([\d.]+) MiB at a fifth of the run, ([\d.]+) at the end$"
    )
    cpu, reading_us = numbers(
        output, r"^CPU +(\d+)% of one core, ([\d.]+) us a reading\nmemory.*end$"
    )
    alone, alone_lost = numbers(output, r"^received +(\d+), lost (\d+)")
    enough = sent / took_s >= 1990.0
    return [
        Figure(
            f"sustained intake, sensor to log, {took_s:.0f} s",
            "2,000 readings a second for 60 s, none lost",
            f"{logged:,.0f} logged of {sent:,.0f} at {rate:.0f} a second, {lost:.0f} lost",
            lost == 0 and enough,
            f"{logged / sent:.4f} of what was sent; {cpu:.0f} % of one core, {reading_us:.0f} µs "
            "a reading",
            "The sender itself could not keep the rate beside the other programs."
            if not enough
            else "",
        ),
        Figure(
            "memory of the program over that run",
            "flat",
            f"{early:.1f} MiB at a fifth, {late:.1f} at the end",
            late - early <= 5.0,
            f"{late / early:.3f} × its own at a fifth",
        ),
        Figure(
            "intake alone, sensor to queue",
            "none lost",
            f"{alone:,.0f} received, {alone_lost:.0f} lost",
            alone_lost == 0,
            f"{alone / (alone + alone_lost):.4f} of what was sent",
        ),
    ]


def read_review(output: str) -> list[Figure]:
    """Read `review.py`: the last run, whose peak is not its parent's."""
    rows = number(output, r"^([\d,]+) readings written")
    last = output[output.rindex("open ") :]
    took_s, peak_mib = number(last, r"^whole ([\d.]+) s"), number(last, r"^peak (\d+) MiB")
    cpu_s = number(last, r"^command took ([\d.]+) s of processor")
    plain_s = number(output, r"plain fetch ([\d.]+) s")
    return [
        Figure(
            f"review of a log of {rows:,.0f} readings (90 days at 10 s, three points)",
            "≤ 3 s",
            f"{took_s:.1f} s (processor {cpu_s:.1f} s, start and end of the process included)",
            took_s <= 3.0,
            f"{took_s / plain_s:.2f} × sqlite3 fetching the same readings ({plain_s:.1f} s)",
            "Half is SQLite's own fetching, and a third the chain, which every review verifies.",
        ),
        Figure(
            "its peak memory",
            "≤ 220 MiB",
            f"{peak_mib:.0f} MiB",
            peak_mib <= 220.0,
            f"{peak_mib * 2**20 / rows:.0f} bytes a reading",
            "Where it peaks was not looked into.",
        ),
    ]


def read_commands(output: str) -> list[Figure]:
    """Read `commands.py`."""
    rows = number(output, r"^([\d,]+) readings")
    found = []
    for name, target_s in (("event", 0.15), ("clocks", 0.5), ("outlook", 1.0), ("export", 8.0)):
        took_s, times = numbers(
            output, rf"^{name} +processor ([\d.]+) s, of target [\d.]+, x baseline ([\d.]+)"
        )
        beside = "sqlite3 fetching the same rows" if name == "export" else "`python -c pass`"
        found.append(
            Figure(
                f"`filmcall {name}` on a log of {rows:,.0f} readings, processor time",
                f"≤ {target_s:g} s",
                f"{took_s:.2f} s",
                took_s <= target_s,
                f"{times:.1f} × {beside}",
                "Half of `clocks` is reading the 13 days that its films wanted, a quarter numpy's "
                "import."
                if name == "clocks"
                else "",
            )
        )
    return found


def read_startup(output: str) -> list[Figure]:
    """Read `startup.py`."""
    found = []
    # Whole commands, since every command that a page shows is run by the tests.
    hand = "`filmcall check --air 21 --rh 60 --surface 19"
    for name, shown, target_s, why in (
        ("filmcall --help", "`filmcall --help`", 0.3, ""),
        ("filmcall check", f"{hand}`", 0.5, ""),
        (
            "filmcall check --spec",
            f"{hand} --spec polyurethane-topcoat`",
            0.5,
            "A spec with drying times needs numpy for its rate law (0.08 s of processor).",
        ),
    ):
        median_s, least_s, cpu_s, times = numbers(
            output,
            rf"^{name} +median ([\d.]+) s, least ([\d.]+) s, processor ([\d.]+) s, "
            r"x baseline ([\d.]+)",
        )
        found.append(
            Figure(
                f"{shown} as a whole process",
                f"≤ {target_s} s",
                f"median {median_s:.2f} s, least {least_s:.2f} (processor {cpu_s:.2f} s)",
                median_s <= target_s,
                f"{times:.1f} × `python -c pass`",
                why,
            )
        )
    modules = re.findall(r"(\d+) modules, pandas (no|YES)", output)
    if len(modules) != 3:
        raise Unread("no count of modules for each command")
    found.append(
        Figure(
            "commands of these that import pandas",
            "0",
            f"{sum(pandas == 'YES' for _, pandas in modules)}",
            all(pandas == "no" for _, pandas in modules),
            f"of {len(modules)}; {', '.join(count for count, _ in modules)} modules",
        )
    )
    return found


def read_week(output: str) -> list[Figure]:
    """Read `week.py`."""
    days, readings, outlooks = numbers(
        output, r"^([\d.]+) days: (\d+) readings, \d+ calls told, (\d+) outlooks"
    )
    first, end, peak, growth, slope, bare = numbers(
        output,
        r"^memory ([\d.]+) MiB after two hours, ([\d.]+) at the end, peak ([\d.]+); "
        r"grew ([+-][\d.]+) MiB \(([+-][\d.]+) a day\); ([\d.]+) of a bare",
    )
    files, files_end = numbers(output, r"^open files (\d+) after two hours, (\d+) at the end")
    return [
        Figure(
            f"`watch` over {days:g} simulated days ({readings:,.0f} readings, "
            f"{outlooks:,.0f} outlooks, screen drawn once a minute): peak memory",
            "≤ 90 MiB",
            f"{peak:.1f} MiB",
            peak <= 90.0,
            f"{bare:.1f} × a bare interpreter's at the end",
        ),
        Figure(
            "its memory from two hours on to the end",
            "flat: grows by at most 5 MiB",
            f"{first:.1f} MiB → {end:.1f} MiB, {slope:+.2f} MiB a day",
            growth <= 5.0,
            f"{end / first:.3f} × its own after two hours",
            "The outlook learns from the last eight days of the log, so what its thread reads "
            "grows until the eighth day (every ten minutes all of it, six channels at 10 s); and "
            "each section keeps its film's temperatures by the minute until the film is cured, "
            "some 0.3 MiB a day as traced.",
        ),
        Figure(
            "its open files from two hours on to the end",
            "flat",
            f"{files:.0f} → {files_end:.0f}",
            files_end <= files,
            f"{files_end / files:.2f} × its own after two hours",
        ),
    ]


def read_screen(output: str) -> list[Figure]:
    """Read `screen.py`."""
    shares = [float(each) for each in re.findall(r"; ([\d.]+) % of one core", output)]
    if not shares:
        raise Unread("no share of a core")
    took_ms, bare_ms, ratio = numbers(
        output, r"^120 x 40: ([\d.]+) ms a redraw, rich alone ([\d.]+) ms, ratio ([\d.]+);"
    )
    return [
        Figure(
            "screen at two redraws a second, 40 × 12 to 200 × 60",
            "≤ 3 % of one core",
            f"{min(shares):.1f} to {max(shares):.1f} %",
            max(shares) <= 3.0,
            f"at most {max(shares) / 3.0:.2f} of the target",
        ),
        Figure(
            "one redraw of 120 × 40",
            "≤ 3 ms",
            f"{took_ms:.1f} ms",
            took_ms <= 3.0,
            f"{ratio:.2f} × a bare rich render of the same lines ({bare_ms:.1f} ms)",
        ),
    ]


def read_clocks(output: str) -> list[Figure]:
    """Read `clocks.py`: three weeks of samples at 30 s."""
    took_ms, plain_ms, times = numbers(output, r"^ *60000 +([\d.]+) +([\d.]+) +([\d.]+)$")
    return [
        Figure(
            "a section's clocks from 60,000 samples",
            "",
            f"{took_ms:.1f} ms",
            None,
            f"{times:.1f} × one numpy trapezoid over them ({plain_ms:.2f} ms)",
        )
    ]


def read_plan(output: str) -> list[Figure]:
    """Read `plan.py`: each size with its worse hours."""
    rows = re.findall(
        r"^(\d+ x \d+) (?:sanded|plain) \w+: list ([\d.]+) s wall ([\d.]+) s cpu ([\d.]+) d; "
        r"solver ([\d.]+) s wall ([\d.]+) s cpu ([\d.]+) d gap ([\d.]+) % (\d+) MiB",
        output,
        re.MULTILINE,
    )
    if not rows:
        raise Unread("no line of a plan")
    found = []
    targets = {
        "4 x 4": ("proved best in ≤ 3 s", 3.0, 0.0),
        "6 x 4": ("proved in ≤ 10 s", 10.0, 0.0),
    }
    for size in dict.fromkeys(row[0] for row in rows):
        own = [tuple(map(float, row[1:])) for row in rows if row[0] == size]
        wall_s, gap = max(row[3] for row in own), max(row[6] for row in own)
        better = max(1.0 - row[5] / row[2] for row in own)
        target, limit_s, least = targets.get(size, ("≤ 5 % of the bound at 60 s", 60.0, 5.0))
        found.append(
            Figure(
                f"plan of {size} coats, solver or sections laid anew",
                target,
                f"{wall_s:.1f} s, {max(row[4] for row in own):.1f} s of processor, gap {gap:.1f} %",
                wall_s <= limit_s and gap <= least,
                f"ends up to {100 * better:.0f} % earlier than the list order; "
                f"{max(row[7] for row in own):.0f} MiB",
                "Over 40 coats the solver's model is too large to be read in time; the bound is "
                "that of each section alone and of all people's hours."
                if gap > least
                else "",
            )
        )
        list_s, cpu_s = max(row[0] for row in own), max(row[1] for row in own)
        found.append(
            Figure(
                f"list order of {size} coats, read, drawn and valid",
                "≤ 2 s",
                f"{list_s:.1f} s, {cpu_s:.1f} s of processor",
                list_s <= 2.0,
                f"{list_s / wall_s:.2f} of the solver's",
                "" if list_s <= 2.0 else "Other programs held the processors.",
            )
        )
    return found


def read_ship(output: str) -> list[Figure]:
    """Read `ship.py`."""
    held, rate = numbers(output, r"^shipped (\d+) readings with their leaves in .*: ([\d,]+)/s")
    row, leaf = numbers(output, r"^  (\d+) bytes a reading with its key, (\d+) its share of a leaf")
    shippers, databases = numbers(output, r"^(\d+) kills of the shipper and (\d+) of the database")
    same = "of the database: every row the same" in output
    return [
        Figure(
            f"shipping a recording of {held:,.0f} readings into PostgreSQL",
            "",
            f"{rate:,.0f} readings a second",
            None,
            f"{row:.0f} bytes a reading with its key, {leaf:.0f} its share of a leaf",
        ),
        Figure(
            "rows lost, doubled or different in the database after kills",
            "0",
            "0" if same else "some",
            same,
            f"{shippers:.0f} kills of the shipper, {databases:.0f} of the database",
        ),
    ]


def read_yard(output: str) -> list[Figure]:
    """Read `yard.py`."""
    count, rate = numbers(output, r"^calm \d+ s: (\d+) enclosures, (\d+) readings/s")
    served, each = numbers(output, r"one core serves (\d+) enclosures of (\d+) readings/s")
    ahead = number(output, r"^  (\d+) of \d+ enclosures with an outlook")
    lag50, lag99 = numbers(output, r"lag of the database p50 ([\d.]+) s, p99 ([\d.]+) s")
    size = f"{count:.0f} enclosures, {rate:.0f} readings a second"
    found = [
        Figure(
            f"{size}: the database's lag in calm",
            "p99 ≤ 5 s",
            f"p99 {lag99:.1f} s, p50 {lag50:.1f}",
            lag99 <= 5.0,
            f"one core would serve {served:.0f} watched enclosures of {each:.0f} readings a "
            f"second; {ahead:.0f} of them had an outlook",
        )
    ]
    bare99 = number(output, r"^  STOP to word: p50 \d+ ms, p99 (\d+) ms")
    for where in ("page", "yard"):
        p50, p99, lost, all_ = numbers(
            output,
            rf"^  STOP to {where}: p50 (\d+) ms, p99 (\d+) ms, .*, (\d+) of (\d+) did not come",
        )
        found.append(
            Figure(
                f"{size}: a reading that makes a STOP → {where}",
                "p99 ≤ 150 ms, all come",
                f"p99 {p99:.0f} ms, p50 {p50:.0f}, {lost:.0f} of {all_:.0f} did not come",
                p99 <= 150.0 and not lost,
                f"{p99 / bare99:.1f} × the p99 of the plain word ({bare99:.0f} ms)",
            )
        )
    kills, heard, median = numbers(
        output, r"^(\d+) kills of .* within ([\d.]+) s \(median ([\d.]+)\)"
    )
    away, level = numbers(
        output, r"^database away for (\d+) s: every log within 5 s again after ([\d.]+) s"
    )
    (rows,) = numbers(output, r"^log and copy, ([\d,]+) readings")
    same = bool(re.search(r"^log and copy, .*: the same$", output, re.MULTILINE))
    return [
        *found,
        Figure(
            "after the broker was back, until every watch had heard again and logged it",
            "≤ 5 s",
            f"{heard:.1f} s at most, median {median:.1f}",
            heard <= 5.0,
            "up to 2 s of it are the log's own wait for its commit",
            "A client waits up to 2 s between two tries, and another 2 s are the commit's.",
        ),
        Figure(
            f"every log within 5 s again after {away:.0f} s without the database",
            "≤ 15 s",
            f"{level:.1f} s",
            level <= 15.0,
            f"{level / away:.3f} of the outage",
        ),
        Figure(
            f"rows lost, doubled or different after {kills:.0f} kills of shipper, database and "
            "broker",
            "0",
            "0" if same else "some",
            same,
            f"of {rows:,.0f} readings in the logs, and every row of every other table",
        ),
    ]
