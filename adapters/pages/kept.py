"""The store beside the pages: opened read-only, also while a service writes it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlite_utils import Database

from adapters.sqlite.reading import StoreError, open_for_reading


class NoStoreError(StoreError):
    """There is no store yet where the configuration says."""


@contextmanager
def opened(store: Path) -> Iterator[Database]:
    """The store while it is entered. NoStoreError, or StoreError when it cannot be read."""
    if not store.is_file():
        raise NoStoreError(f"{store}: no store there")
    database = open_for_reading(store)
    try:
        yield database
    except sqlite3.DatabaseError as error:
        raise StoreError(f"{store}: cannot be read just now: {error}") from None
    finally:
        database.close()
