"""A review with fixed keys, for programs; its sentences are those of `text`."""

from __future__ import annotations

import math

from monitor.log.rows import Session
from monitor.review.figures import TimeStamp
from monitor.review.origin import event_origin
from monitor.review.review import Review
from monitor.review.text import coat_outcome
from monitor.review.verdict_text import (
    NO_CHANCE,
    answer_words,
    apart_words,
    counterfactual_words,
    evidence_words,
    open_words,
    settle_words,
)
from monitor.wire import Json
from rules.memory import FilmMemory
from rules.review.causes import Verdict
from rules.review.coats import CoatRecord
from rules.review.defects import AGES
from rules.review.evidence import Evidence
from rules.review.exposure import Excess
from rules.review.likelihood import JUDGEMENT, verbal
from rules.review.windows import Window
from rules.text import iso_utc
from rules.vocabulary import Step


def review_dict(review: Review) -> Json:
    """Return the whole review with fixed keys, times in ISO 8601 UTC and lengths in seconds."""
    stamp = TimeStamp("Etc/UTC")
    return {
        "session": review.session.session,
        "kind": review.session.kind,
        "title": review.session.title,
        "enclosure": review.session.enclosure,
        "from": iso_utc(review.from_s),
        "to": iso_utc(review.to_s),
        "step_s": review.step_s,
        "log": review.log_uuid,
        "chain_problems": list(review.chain_problems),
        "seal": review.seal,
        "seen": review.seen,
        "seen_says": list(review.seen_says),
        "seen_denies": list(review.seen_denies),
        "sections": [
            {
                "section": each.section,
                "coats": [_coat_dict(coat, review.session) for coat in each.coats],
                "verdicts": [_verdict_dict(verdict, stamp) for verdict in each.verdicts],
                "calls": [
                    {
                        "time": iso_utc(call.time_s),
                        "call": call.call,
                        "stage": call.stage,
                        "reason": call.reason,
                        "origin": call.origin.value,
                    }
                    for call in each.calls
                ],
            }
            for each in review.sections
        ],
        "events": [
            {
                "time": iso_utc(each.time_s),
                "event": each.kind.value,
                "section": each.section,
                "note": each.note,
                "written_down": event_origin(each),
                "what": each.what,
                "value": each.value,
                "unit": each.unit,
            }
            for each in review.events
        ],
        "withdrawn": [
            {"time": iso_utc(each.time_s), "event": each.kind.value, "section": each.section}
            for each, _ in review.withdrawn
        ],
        "sensors": [
            {
                "point": each.point,
                "quantity": each.quantity.value,
                "readings": each.readings,
                "kept_as_minute_means": each.thinned,
                "set_aside": each.by_quality,
                "usual_interval_s": each.usual_interval_s,
                "gaps": each.gaps,
                "longest_gap_s": each.longest_gap_s,
                "low": each.low,
                "high": each.high,
            }
            for each in review.sensors
        ],
        "not_known": list(review.not_known),
        "note": NO_CHANCE,
    }


def _when(time_s: float | None) -> str | None:
    return None if time_s is None else iso_utc(time_s)


def _coat_dict(coat: CoatRecord, session: Session) -> Json:
    return {
        "coat": coat.number,
        "spec": coat.spec.name,
        "method": coat.method,
        "batches": list(coat.batches),
        "thinner": [
            {
                "batch": each.batch,
                "thinner_pct": each.thinner_pct,
                "sheet_min_pct": each.asked.min_pct,
                "sheet_max_pct": each.asked.max_pct,
                "sure": each.is_sure,
            }
            for each in coat.thinned
        ],
        "started": _when(coat.started_s),
        "ended": _when(coat.ended_s),
        "until": _when(coat.until_s),
        "until_why": coat.until_why,
        "steps": {
            step.value: _when(at) for step, at in coat.steps_s.items() if isinstance(step, Step)
        },
        "outcome": coat_outcome(coat, session),
        "limits": [
            {
                "limit": each.name.value,
                "stage": each.stage.value,
                "bound": each.beyond.bound,
                "unit": each.beyond.unit,
                "ok_s": round(each.ok_s, 1),
                "near_s": round(each.near_s, 1),
                "broken_s": round(each.broken_s, 1),
                "partly_broken_s": round(each.beyond.partly_s, 1),
                "unknown_s": round(each.unknown_s, 1),
                **_beyond_dict(each.beyond),
            }
            for each in coat.limits
        ],
        "windows": [_window_dict(window) for window in coat.windows],
        "memory": None if coat.memory is None else _memory_dict(coat.memory),
    }


def _memory_dict(memory: FilmMemory) -> Json:
    """What a film went through: lowest, best and highest, by its age."""
    lasted: Json = {}
    for (condition, age), minutes in memory.lasted.items():
        spans = [None if math.isinf(s) else round(s, 1) for s in minutes]
        lasted.setdefault(condition.value, {})[age.value] = spans
    return {
        "lasted_s": lasted,
        "wet": [[iso_utc(begin), iso_utc(end)] for begin, end in memory.wet_s],
        "bloom_h": round(memory.bloom_h, 3),
        "warmed_k": round(memory.warmed_k, 2),
    }


def _window_dict(window: Window) -> Json:
    return {
        "window": window.name.value,
        "kept": window.kept.value,
        "opens": _when(window.opens_s),
        "closes": _when(window.closes_s),
        "done": None if window.undone else _when(window.done_s),
        "missed_s": round(window.missed_s, 1),
        "why": window.why,
    }


def _beyond_dict(found: Excess) -> Json:
    return {
        "worst": None if found.worst is None else round(found.worst, 3),
        "worst_at": _when(found.worst_s),
        "possible": None if found.possible is None else round(found.possible, 3),
        "possible_at": _when(found.possible_s),
        "exposure_unit_h": round(found.exposure, 3),
        "first_beyond": _when(found.first_s),
        "last_beyond": _when(found.last_s),
    }


def _verdict_dict(verdict: Verdict, stamp: TimeStamp) -> Json:
    return {
        "defect": verdict.defect.name,
        "answer": verdict.answer.value,
        "text": answer_words(verdict),
        "causes": [_evidence_dict(each, stamp) for each in verdict.ranked],
        "open": [
            {**_evidence_dict(each, stamp), "open_because": open_words(each, stamp)}
            for each in verdict.still_open
        ],
        "vetoed": [
            {**_evidence_dict(each, stamp), "vetoed_because": why} for each, why in verdict.vetoed
        ],
        "to_settle": settle_words(verdict, stamp),
        "to_tell_apart": apart_words(verdict),
        "kept": [_evidence_dict(each, stamp) for each in verdict.cleared],
        "not_looked_at": [
            {"cause": cause.sign.name.lower(), "why": why} for cause, why in verdict.not_looked
        ],
        "no_sensor_sees": list(verdict.defect.unseen),
        "tell_apart": verdict.defect.tell_apart,
        "first_aid": verdict.defect.first_aid,
        "ask": verdict.defect.ask,
        "source": verdict.defect.source,
    }


def _evidence_dict(evidence: Evidence, stamp: TimeStamp) -> Json:
    shown = evidence.via or evidence
    return {
        "cause": evidence.cause.sign.name.lower(),
        "mechanism": evidence.cause.name,
        "title": evidence.cause.sign.value,
        "coat": evidence.coat,
        "clear": evidence.supports,
        "weight_h": round(evidence.weight, 3),
        "lowest_h": round(evidence.lowest, 3),
        "highest_h": round(evidence.highest, 3),
        "harmless_h": evidence.cause.harm,
        "film_age_s": None if evidence.age_s is None else round(evidence.age_s, 1),
        "likelihood_ratio": round(evidence.ratio, 3),
        "support": verbal(evidence.ratio),
        "counted": [{"what": row.what, "ratio": round(row.ratio, 3)} for row in evidence.rows],
        "judgement": JUDGEMENT,
        "without_it": counterfactual_words(evidence, stamp) if evidence.supports else "",
        "not_known": [[_when(from_s), _when(to_s)] for from_s, to_s in evidence.open_s],
        "log_ended_open": _when(evidence.after_log_s),
        "susceptibility": dict(zip(AGES, evidence.cause.age, strict=True)),
        "unknown_share": round(evidence.unknown, 3),
        "text": evidence_words(evidence, stamp),
        "why": evidence.cause.why,
        "source": evidence.cause.source,
        **({} if shown.beyond is None else _beyond_dict(shown.beyond)),
        **({} if shown.window is None else {"missed_window": _window_dict(shown.window)}),
    }
