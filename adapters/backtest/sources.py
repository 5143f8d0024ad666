"""What there is to watch again: recordings and stores, cut into parts that stand alone."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from sqlite_utils import Database

from adapters.recorded_files import recorded_files
from adapters.recordings import RecordingError
from adapters.sqlite.reading import StoreError, open_for_reading, read_progress, read_runs

#: Places of a store are watched together up to so many messages: about a minute of work.
PART_MESSAGES: Final = 50_000
_STORE: Final = ".sqlite"
_READ_BYTES: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class Source:
    """One recording or store. `identity` changes with what is in it.

    Each of its `parts` can be watched by itself: the places of a store that share no device, or
    None for all there is. A store is read up to arrival `last_arrival` and the cycle that ends at
    `reached_ms`, also when a service goes on writing it.
    """

    name: str
    path: Path
    kind: Literal["recording", "store"]
    identity: str
    parts: tuple[tuple[str, ...] | None, ...] = (None,)
    last_arrival: int = 0
    reached_ms: int = 0

    @property
    def stem(self) -> str:
        """Its name without what says of which kind it is."""
        return stem(self.name)


@dataclass(frozen=True, slots=True)
class Unread:
    """A source that could not be used, or only up to somewhere, and why."""

    name: str
    why: str


@dataclass(frozen=True, slots=True)
class Sources:
    """All that was found, by name; `unread` could not be opened."""

    found: tuple[Source, ...]
    unread: tuple[Unread, ...]


def stem(name: str) -> str:
    """A file's name without `.jsonl`, `.jsonl.gz` or `.sqlite`."""
    return name.removesuffix(".gz").removesuffix(".jsonl").removesuffix(_STORE)


def find_sources(paths: Sequence[Path], part_messages: int = PART_MESSAGES) -> Sources:
    """The recordings and stores in `paths`: files, or folders with whatever folders are in them.

    RecordingError when there is none in a path, or a path is not there. One that cannot be opened
    is `unread`: among many nights that must not hold up the others.
    """
    for path in paths:
        if not path.exists():
            raise RecordingError(f"{path}: no such file or folder")
    found: list[Source] = []
    unread: list[Unread] = []
    for file in recorded_files(paths)[0]:
        name = _name(file.path, paths)
        try:
            found.append(_opened(name, file.path, part_messages))
        except (OSError, StoreError) as error:
            unread.append(Unread(name, str(error)))
    return Sources(tuple(found), tuple(unread))


def _name(path: Path, given: Sequence[Path]) -> str:
    """What tells it from all others: from the one folder on that was given, else the whole path."""
    if len(given) > 1:
        return path.as_posix()
    return path.name if path == given[0] else path.relative_to(given[0]).as_posix()


def _opened(name: str, path: Path, part_messages: int) -> Source:
    if path.suffix == _STORE:
        return _store(name, path, part_messages)
    return Source(name, path, "recording", _sha256(path))


def _sha256(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_READ_BYTES):
            digest.update(block)
    return digest.hexdigest()


def _store(name: str, path: Path, part_messages: int) -> Source:
    database = open_for_reading(path)
    try:
        runs, progress = read_runs(database), read_progress(database)
        if not runs or progress is None:
            raise StoreError(f"{path}: no service has written this store")
        parts = _parts(database, part_messages)
        seen = (progress.last_arrival, progress.reached_ms, [run.started_ms for run in runs])
        first = database.execute(
            "select payload, received_ms from messages order by id limit 1"
        ).fetchone()
        identity = hashlib.sha256(repr((seen, first and tuple(first))).encode()).hexdigest()
    finally:
        database.close()
    return Source(name, path, "store", identity, parts, progress.last_arrival, progress.reached_ms)


def _parts(database: Database, most: int) -> tuple[tuple[str, ...], ...]:
    """Places that share a device belong together: what one lost of it, the other may have had."""
    counted: dict[str, int] = defaultdict(int)
    devices: dict[str, set[str]] = defaultdict(set)
    rows = database.execute(
        "select p.ward || '/' || p.place, m.device, count(*) from messages m "
        "join places p on p.id = m.place_id group by 1, 2"
    )
    for place, device, count in rows:
        counted[place] += count
        devices[device].add(place)
    return tuple(_packed(_joined(counted, devices.values()), counted, most))


def _joined(places: Iterable[str], shared: Iterable[set[str]]) -> list[list[str]]:
    """Groups of places, so that each of the sets `shared` lies in one."""
    group_of = {place: {place} for place in places}
    for together in shared:
        whole = set().union(*(group_of[place] for place in together))
        for place in whole:
            group_of[place] = whole
    return sorted({id(group): sorted(group) for group in group_of.values()}.values())


def _packed(
    groups: Iterable[list[str]], counted: dict[str, int], most: int
) -> Iterator[tuple[str, ...]]:
    part: list[str] = []
    messages = 0
    for group in groups:
        size = sum(counted[place] for place in group)
        if part and messages + size > most:
            yield tuple(part)
            part, messages = [], 0
        part += group
        messages += size
    if part:
        yield tuple(part)
