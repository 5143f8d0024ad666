"""Many tasks: one after the other here, or by Dask on all cores or other machines."""

from __future__ import annotations

import importlib.util
import logging
import signal
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from adapters.backtest.sources import Unread
from adapters.backtest.watching import Task, Watched, watch_again
from adapters.journal import code_sha256
from adapters.recordings import RecordingError
from adapters.sqlite.reading import StoreError

if TYPE_CHECKING:
    from distributed import Client

_CONNECT_S: Final = 20
#: A task may be with a worker that dies so often before it is given up as what kills them.
_DEATHS: Final = 5
#: Tasks handed out ahead for each worker: enough to keep it busy, few enough to lose.
_AHEAD: Final = 3


class SpreadError(RuntimeError):
    """Workers that cannot be had or used; the text says what to do."""


@dataclass(frozen=True, slots=True)
class Workers:
    """`jobs` processes of this machine, or those of the Dask scheduler at an address."""

    jobs: int = 1
    scheduler: str | None = None

    @property
    def alone(self) -> bool:
        """Whether this process does all the work."""
        return self.jobs == 1 and self.scheduler is None


def ready(workers: Workers) -> None:
    """Raises SpreadError where Dask is needed and missing; loads nothing."""
    if not workers.alone and importlib.util.find_spec("distributed") is None:
        raise SpreadError(
            "more than one job needs dask.distributed, which is not installed: "
            "pip install 'tidewarden[backtest]', or give --jobs 1"
        )


def watch_all(tasks: Sequence[Task], workers: Workers) -> Iterator[Watched | Unread]:
    """What came of each task, in the order in which they are done.

    The longest first. What comes of a task does not depend on where it was done, nor on a worker
    that died over it: another does it again. SpreadError when workers cannot be had or used.
    """
    if workers.alone or not tasks:
        yield from (_watched(task) for task in tasks)
        return
    with _client(workers) as client:
        yield from _by(client, tasks)


def _watched(task: Task) -> Watched | Unread:
    try:
        return watch_again(task)
    except (RecordingError, StoreError, OSError) as error:
        return Unread(task.source.name, str(error))


# -- workers --------------------------------------------------------------------------------------


@cache
def _code() -> str:
    return code_sha256()


def _elsewhere(task: Task, code: str) -> Watched | Unread:
    """What a worker does."""
    if _code() != code:
        raise SpreadError(
            "a worker runs another version of Tidewarden: install the same on all machines, and "
            "start their workers again"
        )
    if not task.source.path.exists():
        raise SpreadError(
            f"a worker has no {task.source.path}: the sources must lie at the same path on all "
            "machines"
        )
    return _watched(task)


@contextmanager
def _client(workers: Workers) -> Iterator[Client]:
    import dask  # noqa: PLC0415 (optional, and slow to load)
    from distributed import Client, LocalCluster  # noqa: PLC0415

    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    if workers.scheduler is not None:
        try:
            client = Client(workers.scheduler, timeout=_CONNECT_S, set_as_default=False)
        except (OSError, ValueError) as error:
            raise SpreadError(
                f"--scheduler {workers.scheduler}: no Dask scheduler answers there ({error})"
            ) from None
        with client:
            yield client
        return
    settings = {"distributed.scheduler.allowed-failures": _DEATHS}
    with dask.config.set(settings):
        with _deaf():
            cluster = LocalCluster(
                n_workers=workers.jobs,
                threads_per_worker=1,
                dashboard_address=None,
                # A night is read as a stream; what memory there is, the machine hands out.
                memory_limit=None,
                silence_logs=logging.CRITICAL,
            )
        with cluster, Client(cluster, set_as_default=False) as client:
            yield client


@contextmanager
def _deaf() -> Iterator[None]:
    """Processes that are started meanwhile do not hear Ctrl-C: this one ends them, in order."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _by(client: Client, tasks: Sequence[Task]) -> Iterator[Watched | Unread]:
    from distributed import as_completed  # noqa: PLC0415

    try:
        client.wait_for_workers(1, timeout=_CONNECT_S)
    except TimeoutError:
        raise SpreadError(
            "the scheduler has no workers: start some (dask worker ADDRESS)"
        ) from None
    code = _code()
    waiting = iter(tasks)
    asked: dict[Any, Task] = {}
    done = as_completed(loop=client.loop)

    def hand_out() -> None:
        task = next(waiting, None)
        if task is not None:
            future = client.submit(_elsewhere, task, code, pure=False)
            asked[future.key] = task
            done.add(future)

    for _ in range(_AHEAD * max(1, sum(client.ncores().values()))):
        hand_out()
    for future in done:
        task = asked.pop(future.key)
        yield _result(future, task)
        hand_out()


def _result(future: Any, task: Task) -> Watched | Unread:
    from distributed import KilledWorker  # noqa: PLC0415

    try:
        result: Watched | Unread = future.result()
    except KilledWorker:
        return Unread(
            task.source.name,
            f"{_DEATHS} workers died over it, one after the other: is there enough memory?",
        )
    except ModuleNotFoundError as error:
        raise SpreadError(
            f"a worker lacks {error.name}: install the same Tidewarden on all machines"
        ) from None
    return result
