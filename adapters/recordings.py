"""Recordings: JSON lines, one wire message a line, plain or gzip; and stores read as recordings.

A line is `{"received_at": RFC 3339, "topic": text, "payload": object}`.
"""

from __future__ import annotations

import gzip
import json
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, cast

from service.instants import from_text, to_text
from service.intake import Arrival


class RecordingError(ValueError):
    """A recording that cannot be read; the text names file, line, field and fix."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a recording."""

    received_ms: int
    topic: str
    payload: dict[str, Any]


def read_recording(path: Path) -> Iterator[Arrival]:
    """The arrivals of a recording, in order of receipt as written."""
    last_ms: int | None = None
    if path.is_dir():
        raise RecordingError(
            f"{path}: a folder; give a recording in it (.jsonl or .jsonl.gz), or a store's file "
            "(tidewarden.sqlite)"
        )
    try:
        with _open(path, "rt") as lines:
            for number, text in enumerate(lines, start=1):
                if not text.strip():
                    continue
                arrival = _arrival(text, f"{path}:{number}")
                if last_ms is not None and arrival.received_ms < last_ms:
                    raise RecordingError(
                        f"{path}:{number}: received_at goes back in time; sort the lines by it"
                    )
                last_ms = arrival.received_ms
                yield arrival
    except FileNotFoundError:
        raise RecordingError(f"{path}: no such file") from None
    except (OSError, EOFError, UnicodeDecodeError, zlib.error) as error:
        raise RecordingError(f"{path}: cannot be read: {error}") from None


def write_recording(path: Path, lines: Iterable[Line]) -> int:
    """Write a recording; returns the number of lines. A name ending in .gz is compressed."""
    count = 0
    with _open(path, "wt") as out:
        for line in lines:
            body = {
                "received_at": to_text(line.received_ms),
                "topic": line.topic,
                "payload": line.payload,
            }
            out.write(json.dumps(body, separators=(",", ":"), ensure_ascii=False) + "\n")
            count += 1
    return count


def _open(path: Path, mode: str) -> IO[str]:
    if path.suffix == ".gz":
        return cast(IO[str], gzip.open(path, mode, encoding="utf-8"))
    return cast(IO[str], path.open(mode, encoding="utf-8"))


def _arrival(text: str, where: str) -> Arrival:
    try:
        line = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise RecordingError(f"{where}: not JSON ({error}); one message a line") from None
    if not isinstance(line, dict):
        raise RecordingError(f"{where}: expected an object with received_at, topic and payload")
    for name, kind in (("received_at", str), ("topic", str), ("payload", dict)):
        if not isinstance(line.get(name), kind):
            found = "missing" if name not in line else f"not {_KIND_WORDS[kind]}"
            raise RecordingError(f"{where}: {name} is {found}")
    try:
        line["topic"].encode()
    except UnicodeEncodeError:
        raise RecordingError(f"{where}: topic is not UTF-8") from None
    try:
        received_ms = from_text(line["received_at"])
    except ValueError as error:
        raise RecordingError(f"{where}: received_at {error}") from None
    payload = json.dumps(line["payload"], separators=(",", ":"), ensure_ascii=False)
    return Arrival(received_ms, line["topic"], payload.encode("utf-8", "surrogatepass"))


_KIND_WORDS = {str: "text", dict: "an object"}
