"""What a person asks of the service, and what becomes of it."""

from __future__ import annotations

from rules.model import RuleSet
from service.advisories import Book, Changes
from service.messages import Request

ACTIONS = ("acknowledge", "pause", "resume", "note")


def answer(book: Book, request: Request, rule_set: RuleSet, now_ms: int) -> Changes | str:
    """What the request changes at its place; otherwise why it cannot be done."""
    match request.action:
        case "acknowledge":
            return book.acknowledge(request.target, request.by, now_ms)
        case "pause":
            return book.begin_pause(request.by, request.minutes, request.reason, now_ms)
        case "resume":
            return book.end_pause(request.by, request.reason, rule_set, now_ms)
        case "note":
            return _note(request)
    known = ", ".join(ACTIONS)
    return f"action {request.action!r} is not known; this version knows: {known}"


def _note(request: Request) -> Changes | str:
    """A note changes nothing: it is kept with all that was received, and read from there."""
    if request.reason is None or not request.reason.strip():
        return "reason: write what is to be noted"
    return Changes()
