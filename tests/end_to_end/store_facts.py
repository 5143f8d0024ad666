"""What a finished store must show, read with plain SQL."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path
from typing import Any

Message = tuple[str, str, int]


class StoreFacts:
    """A store opened for reading; also while a service writes it."""

    def __init__(self, path: Path) -> None:
        self._db = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def rows(self, query: str, *values: object) -> list[tuple[Any, ...]]:
        """The rows of a query."""
        return self._db.execute(query, values).fetchall()

    def count(self, table: str) -> int:
        """How many rows a table has."""
        return int(self.rows(f"select count(*) from {table}")[0][0])  # noqa: S608 - our name

    def messages(self) -> list[Message]:
        """Device, epoch and sequence number of every accepted message, by number of arrival."""
        return self.rows("select device, epoch, seq from messages order by id")

    def events(self) -> list[dict[str, Any]]:
        """Bodies of all advisory events, in order."""
        query = "select body from advisory_events order by id"
        return [json.loads(body) for (body,) in self.rows(query)]

    def problems(self) -> list[tuple[Any, ...]]:
        """What SQLite itself finds wrong; empty when all is well."""
        found = [row for row in self.rows("pragma integrity_check") if row != ("ok",)]
        return found + self.rows("pragma foreign_key_check")


def canonical(body: dict[str, Any]) -> str:
    """A body as text that is equal only when every bit of it is."""
    return json.dumps(body, sort_keys=True, ensure_ascii=False)
