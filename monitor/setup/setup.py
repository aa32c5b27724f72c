"""The way from a recording or a broker to a config that works, in one go."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

from monitor.config.read import name_fault
from monitor.doctor.checks import CheckResult, check_config_file
from monitor.setup.ask import Asker
from monitor.setup.job import job_text
from monitor.setup.write import PointDraft, SetupFault, config_text, free_path, put
from monitor.specs import find_spec, shipped_names
from rules.errors import SpecFault
from rules.text import printable
from rules.vocabulary import ALL_SECTIONS
from sensors.mqtt.broker import BrokerFault, host_and_port
from sensors.reading import Quantity
from sensors.recording.sights import Question

USUAL_SPEC = "polyurethane-topcoat"


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def run(
    recording: Path | None,
    broker: str | None,
    *,
    yes: bool,
    out: Path | None,
    username: str | None,
    listen_s: float,
    spec: str | None,
    job: Path | None = None,
) -> int:
    """Look, ask, write, and look the result over.

    Args:
        recording: a file or folder, or None for a broker.
        broker: HOST or HOST:PORT, or None for a recording.
        yes: take every guess.
        out: where to write, or None for filmcall.toml in this folder.
        username: account at the broker, or None.
        listen_s: how long to listen [s].
        spec: of the next coat, or None to ask.
        job: a job file to write as well, or None.

    Returns:
        Exit status: 0, or 1 where the config that was written is bad.

    Raises:
        SetupFault: nothing could be set up.
    """
    if (recording is None) == (broker is None):
        raise SetupFault(
            "a recording or a broker is needed, and not both, so nothing was set up; as in: "
            "filmcall setup logger.csv, or filmcall setup --broker 127.0.0.1"
        )
    path = free_path(Path(), out)
    job_path = None if job is None else free_path(Path(), job)
    asker = Asker(yes, _say)
    if recording is not None:
        from monitor.setup.recording import draft_of as draft_of_recording

        draft = draft_of_recording(recording, asker, _say)
    else:
        from monitor.setup.listen import draft_of as draft_of_broker

        host, port = _address(broker or "")
        draft = draft_of_broker(host, port, username, listen_s, asker, _say)
    draft.spec = _spec(spec, asker)
    draft.points = _sections(draft.points, asker)
    work = None if job_path is None else job_text(draft, asker, date.today())
    put(path, config_text(draft))
    _say(f"wrote {path}")
    if job_path is not None and work is not None:
        put(job_path, work)
        _say(f"wrote {job_path}, the job")
    return _looked_over(path, recording)


def _address(text: str) -> tuple[str, int]:
    try:
        return host_and_port(text)
    except BrokerFault as fault:
        raise SetupFault(str(fault)) from None


def _spec(given: str | None, asker: Asker) -> str:
    def fault_of(name: str) -> str | None:
        try:
            find_spec(name, Path())
        except SpecFault as fault:
            return " ".join(str(fault).split())
        return None

    if given is not None:
        fault = fault_of(given)
        if fault is not None:
            raise SetupFault(fault)
        return given
    names = ", ".join(shipped_names())
    why = f"what is coated next; shipped with generic figures: {names}; or a file of your own"
    return asker.ask(Question("spec", "spec", USUAL_SPEC, why, fault_of))


def _sections(points: Sequence[PointDraft], asker: Asker) -> list[PointDraft]:
    found: list[PointDraft] = []
    for point in points:
        if point.quantity is Quantity.SURFACE_TEMP:
            what = f"section of {(point.column or point.value or point.topic)!r}"
            why = "the part of the work that it lies on, such as hull-port; all for the whole"
            key = f"section {point.name}"
            section = asker.ask(Question(key, what, ALL_SECTIONS, why, name_fault))
            if section.strip().casefold() != ALL_SECTIONS:
                point = replace(point, section=section)
        found.append(point)
    return found


def _looked_over(path: Path, recording: Path | None) -> int:
    _, checks = check_config_file(path)
    bad = 0
    for check in checks:
        bad += (
            check.health is CheckResult.BAD and check.part == "config" and check.name == path.name
        )
        _say(f"{check.health.value:<5} {printable(check.name, 60)}: {printable(check.text, 300)}")
    if recording is not None:
        _say(f"Next: filmcall replay {printable(str(recording), 200)} --config {path}")
    else:
        _say(f"Next: filmcall watch --config {path}")
    return int(bad > 0)
