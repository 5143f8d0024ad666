"""By Dask on two workers: the same as by one process, also when a worker is killed."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from distributed import Client, LocalCluster

from adapters.backtest import spread
from adapters.backtest.backtest import tasks_of
from adapters.backtest.sources import Unread, find_sources
from adapters.backtest.spread import SpreadError, Workers, watch_all
from adapters.backtest.watching import Task, Watched
from adapters.rule_files import load_rules

RULES = [load_rules(f"small-animal-ventilation@{version}") for version in ("0.1.0", "1.0.0")]


@pytest.fixture(scope="module")
def tasks(nights: Path) -> list[Task]:
    found = find_sources([nights], part_messages=1).found
    return tasks_of(found, RULES)


@pytest.fixture(scope="module")
def alone(tasks: list[Task]) -> tuple[dict[tuple[str, int, str], Watched], float]:
    began_s = time.monotonic()
    return _by_key(watch_all(tasks, Workers())), time.monotonic() - began_s


@pytest.fixture
def cluster() -> Iterator[LocalCluster]:
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as made:
        yield made


def _by_key(results: Iterator[Watched | Unread]) -> dict[tuple[str, int, str], Watched]:
    found = {}
    for result in results:
        assert isinstance(result, Watched)
        assert result.key not in found, "done twice"
        found[result.key] = result
    return found


@pytest.mark.slow
def test_two_workers_say_what_one_process_says(
    tasks: list[Task], alone: tuple[dict[tuple[str, int, str], Watched], float]
) -> None:
    expected, alone_s = alone
    assert len(expected) == len(tasks) == 14
    began_s = time.monotonic()
    assert _by_key(watch_all(tasks, Workers(2))) == expected
    both_s = time.monotonic() - began_s
    print(
        f"\n{len(tasks)} tasks: one process {alone_s:.1f} s, two workers {both_s:.1f} s with "
        f"their start: {alone_s / both_s:.2f} times as fast"
    )


@pytest.mark.slow
def test_a_worker_that_is_killed_in_the_middle_changes_nothing(
    tasks: list[Task],
    alone: tuple[dict[tuple[str, int, str], Watched], float],
    cluster: LocalCluster,
) -> None:
    address = cluster.scheduler_address
    found: dict[tuple[str, int, str], Watched] = {}
    killed: list[int] = []
    with Client(address, set_as_default=False) as other:
        for result in watch_all(tasks, Workers(scheduler=address)):
            assert isinstance(result, Watched)
            found[result.key] = result
            if not killed:
                busy = [worker for worker, keys in other.processing().items() if keys]
                pids = other.run(os.getpid, workers=busy[:1])
                killed = list(pids.values())
                os.kill(killed[0], signal.SIGKILL)
        left = set(other.run(os.getpid).values())
    assert killed
    assert killed[0] not in left, "the worker was not killed, so nothing is shown"
    assert found == alone[0]


@pytest.mark.slow
def test_workers_that_cannot_do_it_are_told_so(
    tasks: list[Task], cluster: LocalCluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    workers = Workers(scheduler=cluster.scheduler_address)
    away = replace(tasks[0], source=replace(tasks[0].source, path=Path("/elsewhere/x.jsonl")))
    with pytest.raises(SpreadError, match="must lie at the same path on all machines"):
        list(watch_all([away], workers))
    monkeypatch.setattr(spread, "_code", lambda: "another version")
    with pytest.raises(SpreadError, match="another version of Tidewarden"):
        list(watch_all(tasks[:1], workers))


def test_a_scheduler_that_is_not_there_is_named(
    tasks: list[Task], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spread, "_CONNECT_S", 1)
    with pytest.raises(SpreadError, match="no Dask scheduler answers there"):
        list(watch_all(tasks, Workers(scheduler="tcp://127.0.0.1:9")))
    with pytest.raises(SpreadError, match="no Dask scheduler answers there"):
        list(watch_all(tasks, Workers(scheduler="not an address")))


def test_a_scheduler_without_workers_is_named(
    tasks: list[Task], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spread, "_CONNECT_S", 1)
    with (
        LocalCluster(n_workers=0, dashboard_address=None, processes=False) as empty,
        pytest.raises(SpreadError, match="no workers"),
    ):
        list(watch_all(tasks, Workers(scheduler=empty.scheduler_address)))


def test_what_cannot_be_read_does_not_hold_up_the_rest(tasks: list[Task], tmp_path: Path) -> None:
    empty = tmp_path / "empty.jsonl"
    empty.write_text("{}\n")
    case = next(task for task in tasks if task.source.kind == "recording")
    source = replace(case.source, name="empty.jsonl", path=empty)
    first, second = watch_all([replace(case, source=source), case], Workers())
    assert isinstance(first, Unread)
    assert first.name == "empty.jsonl"
    assert "received_at is missing" in first.why
    assert isinstance(second, Watched)
