"""A plan as JSON, with the fixed keys."""

from __future__ import annotations

import json
from typing import Any

from monitor.job.text import unsaid_lines
from rules.job.plan import Plan, PlannedStep
from rules.text import iso_utc


def plan_json(plan: Plan) -> str:
    """Return a plan as JSON: times in ISO 8601 UTC, lengths in seconds."""
    return json.dumps(
        {
            "steps": [_step(step) for step in plan.steps],
            "finish": iso_utc(plan.finish_s, 0),
            "promised": None if plan.promised_s is None else iso_utc(plan.promised_s, 0),
            "slack_s": plan.slack_s,
            "proved": plan.is_proved,
            "gap": round(plan.gap, 6),
            "decides": plan.decides,
            "kept": list(plan.kept),
            "air": dict(plan.tents),
            "not_given": unsaid_lines(plan.job),
        },
        indent=2,
    )


def _step(step: PlannedStep) -> dict[str, Any]:
    return {
        "section": step.section,
        "coat": step.coat,
        "step": step.step,
        "what": step.what,
        "start": iso_utc(step.start_s, 0),
        "end": iso_utc(step.end_s, 0),
        "earliest": iso_utc(step.earliest_s, 0),
        "latest": iso_utc(step.latest_s, 0),
        "probability": round(step.probability, 4),
        "rests_on": step.rests_on,
        "critical": step.is_critical,
        "extra": step.is_extra,
        "then": step.then,
    }
