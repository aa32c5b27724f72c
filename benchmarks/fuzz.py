"""Feeds every door through which text from outside comes with what nobody would write.

    python -m benchmarks.fuzz [--seconds 600] [--seed 1] [--target payload] [--guided]

Every input must be read or be refused by name, within a second. Inputs grow out of sound ones by a
small seeded mutator, which keeps what led to an outcome not seen before; with `--guided` out of the
coverage of the code, by atheris where it is installed. An input that is found to fail is written
beside the others of tests/data/fuzz, which the tests feed anew, and the exit status is 1.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "support"))

MOST_S = 1.0
"""An input of at most 64 KiB that takes longer is a fault [s of processor time]."""
_POOL, _LONGEST_KEPT = 3000, 4000
_INTERESTING = (
    b"0",
    b"-1",
    b"1e999",
    b"99999999999999999999",
    b"0x" + b"f" * 4000,
    b"\xff",
    b"\x00",
)


class Mutator:
    """Makes inputs out of others; the same seed makes the same ones."""

    def __init__(self, chance: Random, words: tuple[bytes, ...], most_bytes: int) -> None:
        """Begin; `words` are what the target's grammar is made of."""
        self._chance, self._words, self._most = chance, words, most_bytes

    def made(self, pool: list[bytes]) -> bytes:
        """Return an input out of those that are known."""
        data = self._chance.choice(pool)
        for _ in range(self._chance.choice((1, 1, 2, 3, 5, 9))):
            data = self._changed(data, pool)
        return data[: self._most]

    def _changed(self, data: bytes, pool: list[bytes]) -> bytes:
        chance = self._chance
        at = chance.randrange(len(data) + 1)
        end = min(len(data), at + chance.choice((1, 2, 8, 60)))
        way = chance.randrange(9)
        if way == 0:
            return data[:at] + bytes([chance.randrange(256)]) + data[end if end == at + 1 else at :]
        if way == 1:
            return data[:at] + data[end:]
        if way in (2, 3):
            return data[:at] + chance.choice(self._words) + data[at:]
        if way == 4:
            return data[:at] + chance.choice(self._words) + data[end:]
        if way == 5:
            many = chance.choice((2, 3, 40)) if chance.random() < 0.995 else 20_000
            return data[:at] + data[at:end] * many + data[end:]
        if way == 6:
            other = chance.choice(pool)
            start = chance.randrange(len(other) + 1)
            return data[:at] + other[start : start + chance.choice((4, 40, 4000))] + data[at:]
        if way == 7:
            numbers = list(re.finditer(rb"\d+(?:\.\d+)?", data[:8000]))
            if numbers:
                found = chance.choice(numbers)
                return data[: found.start()] + chance.choice(_INTERESTING) + data[found.end() :]
        if at < len(data):
            return data[:at] + bytes([data[at] ^ (1 << chance.randrange(8))]) + data[at + 1 :]
        return data


def kept(name: str, data: bytes) -> Path:
    """Write an input down and return where."""
    from fuzz_targets import KEPT

    KEPT.mkdir(exist_ok=True)
    number = 1 + len(list(KEPT.glob(f"{name}-*")))
    path = KEPT / f"{name}-{number}"
    path.write_bytes(data)
    return path


def mutate(
    target: object,
    seconds: float,
    seed: int,
    most: int = 10**12,
    keep: Callable[[str, bytes], object] = kept,
) -> tuple[int, list[str]]:
    """Feed a target for a while.

    Args:
        target: of `fuzz_targets.TARGETS`.
        seconds: how long [s].
        seed: of the inputs.
        most: executions at most.
        keep: writes an input that failed down, and returns where.

    Returns:
        (executions, what was found, each in a few lines).
    """
    from fuzz_targets import MOST_BYTES, Target, refused_or_read

    assert isinstance(target, Target)
    pool = list(target.seeds)
    mutator = Mutator(Random(f"{target.name} {seed}"), target.words, MOST_BYTES)
    seen: set[str] = set()
    found: dict[str, str] = {}
    count = 0
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s and count < most:
        data = mutator.made(pool)
        count += 1
        begin_s = time.process_time()
        try:
            outcome = re.sub(r"'[^']*'|\d+", "", refused_or_read(target, data))[:90]
        except BaseException as fault:
            if isinstance(fault, KeyboardInterrupt):
                raise
            last = traceback.extract_tb(fault.__traceback__)[-1]
            key = f"{type(fault).__name__} {last.filename}:{last.lineno}"
            if key not in found:
                found[key] = f"{key} {str(fault)[:200]}\n    {keep(target.name, data)}"
            continue
        took_s = time.process_time() - begin_s
        if took_s > MOST_S and "slow" not in found:
            found["slow"] = f"slow: {took_s:.1f} s\n    {keep(target.name, data)}"
        if outcome not in seen and len(pool) < _POOL and len(data) <= _LONGEST_KEPT:
            seen.add(outcome)
            pool.append(data)
    return count, list(found.values())


def guide(name: str, seconds: float, seed: int) -> None:
    """Feed one target by the coverage of its code; ends the process."""
    import atheris

    packages = [
        "rules",
        "sensors",
        "monitor.config",
        "monitor.job",
        "monitor.times",
        "json",
        "tomllib",
    ]
    with atheris.instrument_imports(include=packages):
        from fuzz_targets import MOST_BYTES, TARGETS, refused_or_read
    target = TARGETS[name]

    def one(data: bytes) -> None:
        refused_or_read(target, data)

    with tempfile.TemporaryDirectory() as folder:
        for number, seed_data in enumerate(target.seeds):
            (Path(folder) / f"{number}").write_bytes(seed_data)
        words = Path(folder) / "words"
        told = "\n".join('"' + "".join(f"\\x{b:02x}" for b in word) + '"' for word in target.words)
        words.write_text(told)
        atheris.Setup(
            [sys.argv[0], f"-max_total_time={seconds:.0f}", f"-seed={seed}", f"-dict={words}",
             f"-max_len={MOST_BYTES}", "-timeout=5", "-print_final_stats=1", "-verbosity=0",
             f"-artifact_prefix={folder}-", folder],
            one,
        )  # fmt: skip
        atheris.Fuzz()


def guided(name: str, seconds: float, seed: int) -> tuple[int, list[str]]:
    """Feed one target by coverage, in a process of its own, since the library ends it."""
    words = ["--child", name, "--seconds", str(seconds), "--seed", str(seed)]
    ran = subprocess.run(
        [sys.executable, "-m", "benchmarks.fuzz", *words],
        cwd=Path(__file__).parents[1], capture_output=True, text=True, errors="replace",
    )  # fmt: skip
    said = ran.stdout + ran.stderr
    units = re.search(r"stat::number_of_executed_units: +(\d+)", said)
    count = int(units[1]) if units else 0
    if ran.returncode == 0 and units:
        return count, []
    where = re.search(r"Test unit written to (\S+)", said)
    kept_at = kept(name, Path(where[1]).read_bytes()) if where else "no input was kept"
    tail = "\n    ".join(said.strip().splitlines()[-25:])
    return count, [f"{tail}\n    {kept_at}"]


def main() -> None:
    """Feed every target, and print how often and what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=600.0, help="of all targets together")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--target", action="append")
    parser.add_argument("--guided", action="store_true")
    parser.add_argument("--child", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.child:
        guide(asked.child, asked.seconds, asked.seed)
        return
    from fuzz_targets import TARGETS

    names = asked.target or list(TARGETS)
    total, faults = 0, 0
    for name in names:
        each_s = asked.seconds / len(names)
        if asked.guided:
            count, found = guided(name, each_s, asked.seed)
        else:
            count, found = mutate(TARGETS[name], each_s, asked.seed)
        print(f"{name:<14} {count:>12,} executions, {len(found)} faults", flush=True)
        for each in found:
            print("  " + each, flush=True)
        total, faults = total + count, faults + len(found)
    print(f"{'all':<14} {total:>12,} executions, {faults} faults")
    sys.exit(1 if faults else 0)


if __name__ == "__main__":
    main()
