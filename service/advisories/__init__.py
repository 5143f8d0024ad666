"""The life of an advisory: raised, acknowledged, reminded of, escalated, ended, cleared.

An unknown fact never clears anything: an advisory stands until its clearing condition is known to
hold. What a standing advisory explains is shown under it, and is never reported as cleared.
"""

from service.advisories.book import Book
from service.advisories.model import (
    Advisory,
    AdvisoryEvent,
    Changes,
    EventKind,
    Evidence,
    Finding,
    Moment,
    Pause,
    PauseEvent,
    State,
    Tracked,
    Writer,
    advisory_id,
)
from service.advisories.pausing import LONGEST_PAUSE_MIN

__all__ = [
    "LONGEST_PAUSE_MIN",
    "Advisory",
    "AdvisoryEvent",
    "Book",
    "Changes",
    "EventKind",
    "Evidence",
    "Finding",
    "Moment",
    "Pause",
    "PauseEvent",
    "State",
    "Tracked",
    "Writer",
    "advisory_id",
]
