"""A pressed button: read from its form, sent once, and answered when the log has it."""

from __future__ import annotations

import asyncio
import secrets
from collections.abc import Mapping
from dataclasses import dataclass

from monitor.display import shown as in_units
from monitor.listen.listener import Listener, Pressed
from monitor.listen.message import EVENT_ID
from monitor.page.view import Json
from rules.errors import FilmcallError
from rules.numbers import number
from rules.text import shown
from rules.vocabulary import ALL_SECTIONS, EventKind, Method

ANSWER_S = 10.0
NOT_CONFIRMED = "Not confirmed: look at the log before you press again."
_TEXTS = {"section": 120, "note": 500, "spec": 120, "batch": 60}
_NUMBERS = {"amount_ml": 100_000.0, "thinner_pct": 100.0, "coat": 99.0}


class PressFault(FilmcallError, ValueError):
    """A form cannot be sent as an event."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a press.

    Attributes:
        id: of the event.
        result: recorded, repeated, refused, unconfirmed or unsent.
        text: in one sentence.
        warnings: what it means at this moment.
        takes_back: what a press names that takes this one back, or "" where there is nothing to.
    """

    id: str
    result: str
    text: str
    warnings: tuple[str, ...] = ()
    takes_back: str = ""

    @property
    def status(self) -> int:
        """Of HTTP."""
        return {"unsent": 503, "unconfirmed": 504}.get(self.result, 200)

    def json(self) -> Json:
        """Return it for the script."""
        return {
            "id": self.id,
            "result": self.result,
            "text": self.text,
            "warnings": list(self.warnings),
            "takes_back": self.takes_back,
        }


def fresh_id() -> str:
    """Return an id that no other event has."""
    return f"page-{secrets.token_hex(12)}"


def event_of(form: Mapping[str, str], by: str) -> Pressed:
    """Return the event that a form asks for.

    Args:
        form: its fields.
        by: who pressed.

    Raises:
        PressFault: a field cannot be; nothing is to be sent.
    """
    kind, name = form.get("kind", ""), form.get("id") or fresh_id()
    takes_back = form.get("takes_back", "")
    for each in filter(None, (name, takes_back)):
        if not EVENT_ID.fullmatch(each):
            raise PressFault(f"id {shown(each)} is none, so nothing was sent; load the page again")
    if takes_back:
        return {"id": name, "takes_back": takes_back, "by": by}
    if kind not in tuple(EventKind):
        raise PressFault(f"{shown(kind)} is no event, so nothing was sent; use the buttons")
    event: Pressed = {"id": name, "kind": kind, "by": by}
    for field, most in _TEXTS.items():
        text = form.get(field, "").strip()
        if len(text) > most:
            raise PressFault(
                f"{field} has {len(text)} characters and may have {most}, so nothing was sent; "
                "make it shorter"
            )
        if text and not (field == "section" and text == ALL_SECTIONS):
            event[field] = text
    for field, largest in _NUMBERS.items():
        text = form.get(field, "").strip().replace(",", ".")
        if not text:
            continue
        value = number(text)
        if value is None or not 0.0 <= value <= largest or (field == "coat" and value % 1.0):
            raise PressFault(
                f"{field} {shown(text)} is no number from 0 to {largest:g}, so nothing was sent; "
                "type it again"
            )
        event[field] = int(value) if field == "coat" else value
    method = form.get("method", "")
    if method and method not in tuple(Method):
        raise PressFault(f"method {shown(method)} is not known, so nothing was sent")
    if method:
        event["method"] = method
    if kind == EventKind.NOTE and "note" not in event:
        raise PressFault("a note has no words, so nothing was sent; type them first")
    return event


async def pressed(listener: Listener, enclosure: str, event: Pressed) -> Answer:
    """Send an event once and wait for its answer, ten seconds at most.

    Args:
        listener: that has the link.
        enclosure: whose.
        event: to send.
    """
    name = str(event["id"])
    try:
        waiting = listener.press(enclosure, event)
    except FilmcallError as fault:
        return Answer(name, "unsent", f"Not sent: {fault}.")
    try:
        done = await asyncio.wait_for(
            asyncio.shield(asyncio.wrap_future(waiting)), timeout=ANSWER_S
        )
    except TimeoutError:
        listener.forget(name)
        return Answer(name, "unconfirmed", NOT_CONFIRMED)
    kept = done.result != "refused" and "takes_back" not in event
    text = in_units(done.text or done.result.capitalize())
    warnings = tuple(map(in_units, done.warnings))
    return Answer(name, done.result, text, warnings, name if kept else "")
