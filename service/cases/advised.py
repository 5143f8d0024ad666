"""What was advised at a place: each advisory with when it stood, and who did what about it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from rules.priority import Priority
from service.instants import from_text

Body = Mapping[str, Any]


@dataclass(slots=True)
class Advised:
    """One advisory: its body as published last, all its changes, and from when to when it stood
    (ms since 1970; None: it still does)."""

    body: Body
    changes: list[Body] = field(default_factory=list)
    spans: list[tuple[int, int | None]] = field(default_factory=list)

    def take(self, body: Body) -> None:
        """The next change of it."""
        self.body = body
        self.changes.append(body)
        at_ms = from_text(body["at"])
        stands = bool(self.spans) and self.spans[-1][1] is None
        if body["event"] in ("raised", "returned") and not stands:
            self.spans.append((at_ms, None))
        elif body["event"] == "cleared" and stands:
            self.spans[-1] = (self.spans[-1][0], at_ms)

    @property
    def began(self) -> str:
        """When it was raised, or came back last; RFC 3339."""
        return str(self.body.get("returned_at") or self.body["raised_at"])

    @property
    def stands(self) -> bool:
        """Whether it is not over."""
        return bool(self.body["state"] != "cleared")


def advised(events: Iterable[Body]) -> list[Advised]:
    """The advisories of these events: what stands by its urgency, then what is over, the newest
    first."""
    found: dict[str, Advised] = {}
    for body in events:
        if body["id"] not in found:
            found[body["id"]] = Advised(body)
        found[body["id"]].take(body)
    return sorted(found.values(), key=_order)


def _order(one: Advised) -> tuple[int, ...]:
    began_ms = one.spans[-1][0] if one.spans else 0
    if not one.stands:
        return 1, 0, 0, -began_ms
    explained = one.body["outranked_by"] is not None
    return 0, int(explained), -Priority(one.body["priority"]).rank, -began_ms
