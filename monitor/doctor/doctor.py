"""`filmcall doctor`: walks from the config to the broker, the log and the terminal, a line each."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from monitor import __version__
from monitor.config.load import config_defaults
from monitor.doctor.broker import BrokerLook, EarOf
from monitor.doctor.checks import (
    Check,
    CheckResult,
    Terminal,
    check_clock,
    check_config_file,
    check_secrets,
    check_terminal,
)
from monitor.doctor.fix import offer
from monitor.doctor.log import check_log
from monitor.doctor.ways import check_alarm, check_forecast_file
from monitor.log.log import log_path
from rules.text import counted, printable
from sensors.mqtt.intake import Intake

DEFAULT_WAIT_S = 20.0


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a look touches outside itself; tests give their own.

    Attributes:
        now_s: the clock [s].
        environment: the process's.
        terminal: that standard output goes to.
        ear_of: opens the line to the broker.
    """

    now_s: Callable[[], float] = time.time
    environment: Mapping[str, str] = field(default_factory=lambda: dict(os.environ))
    terminal: Terminal = field(default_factory=Terminal.here)
    ear_of: EarOf = Intake


def look(
    config_file: Path | None,
    db: Path | None,
    *,
    wait_s: float = DEFAULT_WAIT_S,
    world: Surroundings | None = None,
) -> list[Check]:
    """Look at everything, in the order in which one thing needs another.

    Args:
        config_file: or None to leave out config, specs, secrets and broker.
        db: the log's file, or None for the usual one.
        wait_s: longest wait for a reading of every mapped topic [s].
        world: what is touched outside.
    """
    world = world or Surroundings()
    config, checks = None, []
    if config_file is None:
        text = "none given, so broker and points were not checked. Give --config FILE."
        checks.append(Check("config", "file", CheckResult.LOOK, text))
    else:
        config, checks = check_config_file(config_file)
    log = check_log(log_path(db), config, world.now_s())
    if config is not None:
        checks += check_secrets(config, world.environment)
        checks += check_alarm(config, world.environment)
        checks += check_forecast_file(config, world.now_s())
        checks += BrokerLook(
            config,
            world.environment,
            world.now_s,
            log.heard_s,
            log.usual_s,
            wait_s,
            world.ear_of,
            log.calibrations,
        ).run()
    checks.append(check_clock(world.now_s(), log.newest_s))
    checks += log.checks
    return checks + check_terminal(world.terminal, world.environment)


def run(
    config_file: Path | None,
    db: Path | None,
    *,
    as_json: bool,
    defaults: bool = False,
    wait_s: float = DEFAULT_WAIT_S,
    world: Surroundings | None = None,
    may_write: Callable[[str], bool] | None = None,
) -> tuple[str, int]:
    """Look at everything, or print what counts where a config says nothing.

    Args:
        config_file: or None.
        db: the log's file, or None for the usual one.
        as_json: JSON in place of lines.
        defaults: print the defaults instead of looking.
        wait_s: longest wait for a reading of every mapped topic, 0 or more [s].
        world: what is touched outside.
        may_write: is given a correction of the config as a diff, and says whether to write it;
            None offers none.

    Returns:
        What is to be printed, and the exit status: 0, or 1 where anything is bad.
    """
    if defaults:
        found = config_defaults()
        if as_json:
            return json.dumps(found, indent=2), 0
        width = max(len(key) for key in found)
        return "\n".join(f"{key:<{width}}  {value}" for key, value in found.items()), 0
    checks = look(config_file, db, wait_s=wait_s, world=world)
    bad = sum(check.health is CheckResult.BAD for check in checks)
    if as_json:
        listed = [
            {
                "part": check.part,
                "name": check.name,
                "health": check.health.value,
                "text": check.text,
            }
            for check in checks
        ]
        said = {"version": __version__, "healthy": not bad, "checks": listed}
        return json.dumps(said, indent=2), int(bad > 0)
    # Names and texts may hold what came over the wire or from a file.
    lines = [
        f"{check.health.value:<5} {check.part:<12} {printable(check.name, 80)}: "
        f"{printable(' '.join(check.text.split()), 1000)}"
        for check in checks
    ]
    looks = sum(check.health is CheckResult.LOOK for check in checks)
    total = f"{counted(len(checks), 'check')}: {bad} bad, {looks} worth a look"
    if may_write is not None and config_file is not None:
        fixes = [check.fix for check in checks if check.fix is not None]
        total = f"{total}\n{offer(config_file, fixes, may_write)}"
    return "\n".join([*lines, total]), int(bad > 0)
