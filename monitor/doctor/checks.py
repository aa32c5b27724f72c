"""One look of `filmcall doctor`, and those at config, specs, secrets, clock and terminal."""

from __future__ import annotations

import os
import shutil
import stat
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from monitor.clock import insane_clock
from monitor.config.load import Config, ConfigFault, EnclosureConfig, check_config, load_config_file
from monitor.config.model import PASSWORD_VARIABLE
from monitor.screen.layout import SMALL_COLUMNS, SMALL_ROWS
from monitor.screen.theme import Colours, colours_of
from monitor.specs import find_spec
from rules.errors import SpecFault
from rules.text import counted, iso_utc, shown
from sensors.reading import Quantity
from sensors.whole_file import Unreadable, whole_text


class CheckResult(StrEnum):
    """What a look found."""

    OK = "ok"
    LOOK = "look"  # works, and is worth a look
    BAD = "bad"


@dataclass(frozen=True, slots=True)
class UnitFix:
    """A unit to write into a config.

    Attributes:
        of: enclosure, point and quantity.
        unit: that the values really have.
    """

    of: tuple[str, str, str]
    unit: str


@dataclass(frozen=True, slots=True)
class Check:
    """One look.

    Attributes:
        part: which part of the program: config, spec, secret, alarm, forecast, broker, topic,
            clock, log, terminal.
        name: of what in it.
        health: what was found.
        text: it in words, with what to do where there is something.
        fix: what to write into the config, where that is known.
    """

    part: str
    name: str
    health: CheckResult
    text: str
    fix: UnitFix | None = None


def check_config_file(path: Path) -> tuple[Config | None, list[Check]]:
    """Look at a config, and at the specs that it names."""
    try:
        config = load_config_file(path)
    except ConfigFault as fault:
        try:
            faults = check_config(whole_text(path))
        except Unreadable:
            return None, [Check("config", path.name, CheckResult.BAD, str(fault))]
        return None, [Check("config", path.name, CheckResult.BAD, str(each)) for each in faults]
    points = sum(len(each.points) for each in config.enclosures)
    names = ", ".join(each.name for each in config.enclosures)
    said = (
        f"{counted(len(config.enclosures), 'enclosure')} ({names}), "
        f"{counted(points, 'quantity', 'quantities')} at points"
    )
    checks = [Check("config", path.name, CheckResult.OK, said)]
    for enclosure in config.enclosures:
        checks += _points(enclosure)
        checks.append(_spec(enclosure, config.base_dir))
    return config, checks


def _points(enclosure: EnclosureConfig) -> list[Check]:
    found = []
    quantities = {point.quantity for point in enclosure.points}
    if Quantity.SURFACE_TEMP not in quantities:
        if enclosure.assumed_surface_offset_k is None:
            health = CheckResult.BAD
            text = (
                "no surface probe and no assumed_surface_offset, so there is no dew margin and "
                "never a GO. Fit a probe on the coldest part and add its point"
            )
        else:
            health = CheckResult.LOOK
            text = (
                f"no surface probe: the surface is taken for {enclosure.assumed_surface_offset_k:g}"
                f" K off the air ± {enclosure.assumed_surface_accuracy_k:g} K. A probe is better"
            )
        found.append(Check("config", enclosure.name, health, text + "."))
    if Quantity.HUMIDITY not in quantities:
        text = "no humidity, so there is no dew point and never a GO. Add a humidity point."
        found.append(Check("config", enclosure.name, CheckResult.BAD, text))
    for point in enclosure.points:
        if not point.confirmed:
            text = (
                f"{point} is a guess (confirmed = false), so it is not read"
                + (" and the call stays HOLD" if point.required else "")
                + ". Correct what is wrong and set confirmed = true, or run filmcall setup again."
            )
            found.append(Check("config", enclosure.name, CheckResult.BAD, text))
    return found


def _spec(enclosure: EnclosureConfig, base_dir: Path) -> Check:
    name = f"{enclosure.name}: {enclosure.spec}"
    try:
        spec, _ = find_spec(enclosure.spec, base_dir)
    except SpecFault as fault:
        return Check("spec", name, CheckResult.BAD, " ".join(str(fault).split()))
    if spec.provenance.generic:
        text = "generic figures; enter your data sheet's own: filmcall spec new"
        return Check("spec", name, CheckResult.LOOK, text)
    return Check("spec", name, CheckResult.OK, f"from {spec.provenance.sheet}")


def check_secrets(config: Config, environment: Mapping[str, str]) -> list[Check]:
    """Look at the files that only this program may read."""
    broker = config.broker
    if broker is None:
        return []
    found = []
    if environment.get(PASSWORD_VARIABLE):
        found.append(Check("secret", "password", CheckResult.OK, f"{PASSWORD_VARIABLE} is set"))
    elif broker.password_file is not None:
        found.append(_secret("password_file", broker.password_file))
    if broker.key_file is not None:
        found.append(_secret("key_file", broker.key_file))
    elif broker.cert_file is not None and b"PRIVATE KEY-----" in _content(broker.cert_file):
        found.append(_secret("cert_file", broker.cert_file))
    if broker.username and not broker.password_file and not environment.get(PASSWORD_VARIABLE):
        text = f"username is set without a password. Set password_file or {PASSWORD_VARIABLE}."
        found.append(Check("secret", "password", CheckResult.LOOK, text))
    return found


def _content(path: Path) -> bytes:
    """What a file holds; nothing where it cannot be read, which the walk to the broker tells."""
    try:
        return path.read_bytes()
    except OSError:
        return b""


def _secret(name: str, path: Path) -> Check:
    try:
        mode = stat.S_IMODE(path.stat().st_mode)
    except OSError as error:
        why = (error.strerror or type(error).__name__).lower()
        text = f"{path} cannot be looked at ({why}). Correct [broker] {name}."
        return Check("secret", name, CheckResult.BAD, text)
    if sys.platform != "win32" and mode & 0o077:
        text = f"{path} has mode {mode:o}, so other accounts can read it. Run: chmod 600 {path}"
        return Check("secret", name, CheckResult.BAD, text)
    if not os.access(path, os.R_OK):
        text = f"{path} cannot be read by this account. Give it to the account that runs filmcall."
        return Check("secret", name, CheckResult.BAD, text)
    return Check("secret", name, CheckResult.OK, f"{path} has mode {mode:o}")


def check_clock(now_s: float, newest_logged_s: float | None) -> Check:
    """Look at the clock, by this program's release and the newest row of the log."""
    why = insane_clock(now_s, newest_logged_s)
    if why:
        return Check("clock", "time", CheckResult.BAD, f"{why}. Set it, or wait for the network.")
    kept = Path("/run/systemd/timesync/synchronized").exists()
    by = ", kept by the network's time" if kept else ""
    return Check("clock", "time", CheckResult.OK, f"{iso_utc(round(now_s))}{by}")


@dataclass(frozen=True, slots=True)
class Terminal:
    """What is known of the terminal.

    Attributes:
        is_terminal: whether standard output is one.
        columns: its width [-].
        rows: its height [-].
        encoding: of what is written to it.
    """

    is_terminal: bool
    columns: int
    rows: int
    encoding: str

    @classmethod
    def here(cls) -> Terminal:
        """Return the one that standard output goes to."""
        size = shutil.get_terminal_size()
        try:
            is_terminal = sys.stdout.isatty()
        except ValueError:  # closed
            is_terminal = False
        encoding = getattr(sys.stdout, "encoding", None) or "none"
        return cls(is_terminal, size.columns, size.lines, encoding)


def check_terminal(terminal: Terminal, environment: Mapping[str, str]) -> list[Check]:
    """Look at size, colours and encoding of the terminal."""
    if not terminal.is_terminal:
        text = "output is no terminal: watch prints plain lines"
        return [Check("terminal", "kind", CheckResult.OK, text)]
    size = f"{terminal.columns} by {terminal.rows}"
    if terminal.columns < SMALL_COLUMNS or terminal.rows < SMALL_ROWS:
        health = CheckResult.LOOK
        size += (
            f": under {SMALL_COLUMNS} by {SMALL_ROWS} only what decides is shown. Enlarge it, or "
            f"use smaller letters."
        )
    else:
        health = CheckResult.OK
    found = [Check("terminal", "size", health, size)]
    colours = colours_of(environment)
    term = shown(environment.get("TERM", ""))
    if colours is Colours.NONE:
        text = f"none (TERM {term}): calls are told apart by words and marks alone"
        found.append(Check("terminal", "colour", CheckResult.LOOK, text))
    else:
        text = f"{colours.value} (TERM {term})"
        found.append(Check("terminal", "colour", CheckResult.OK, text))
    if terminal.encoding.lower().replace("-", "") == "utf8":
        found.append(Check("terminal", "encoding", CheckResult.OK, terminal.encoding))
    else:
        text = (
            f"{shown(terminal.encoding)} cannot show the screen, so watch prints plain lines. Set "
            f"LANG=C.UTF-8 or another UTF-8 locale."
        )
        found.append(Check("terminal", "encoding", CheckResult.LOOK, text))
    return found
