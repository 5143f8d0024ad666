"""What the demo says at its end: whole names, and a time for each story, in a narrow window too."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from adapters.cli.demo import _summary
from adapters.demo import DemoResult, Story


def _story(rule: str, raised_s: float | None, *, reached: bool) -> Story:
    return Story(
        place="bay-1",
        what="the ventilator has stopped and the animal does not breathe yet",
        rule=rule,
        priority="medium",
        within_s=40.0,
        begins_s=45.0,
        raised_s=raised_s,
        raised_priority=None if raised_s is None else "medium",
        id=None,
        reached=reached,
    )


def _raised(rule: str, *, speaks: bool) -> dict[str, Any]:
    return {
        "event": "raised", "id": rule, "rule": rule, "place": "bay-4", "priority": "high",
        "raised_at": "2026-11-26T03:00:18.050Z", "says": f"It says {rule}.", "speaks": speaks,
    }  # fmt: skip


@pytest.fixture
def words(tmp_path: Path) -> str:
    """The summary of four stories in a window of 80 columns."""
    result = DemoResult(
        seconds=90.0,
        store=tmp_path / "[a]" / "tidewarden.sqlite",
        stories=[
            _story("volume-falling-silently", 55.5, reached=True),
            _story("airway-narrowing", 76.5, reached=True),
            _story("weaning-not-breathing", None, reached=False),
            _story("journey-battery-short", None, reached=True),
        ],
        events=[_raised("no-breath-seen", speaks=False), _raised("pip-over-limit", speaks=True)],
    )
    console = Console(file=io.StringIO(), width=80, force_terminal=False, markup=False)
    _summary(console, result)
    assert isinstance(console.file, io.StringIO)
    text = console.file.getvalue()
    assert all(len(line) <= 80 for line in text.splitlines() if "tidewarden" not in line)
    return text


def test_names_are_whole(words: str) -> None:
    for rule in ("volume-falling-silently", "weaning-not-breathing", "journey-battery-short"):
        assert rule in words
    assert "/[a]/tidewarden.sqlite" in words


def test_each_story_has_its_time(words: str) -> None:
    told = " ".join(words.split())
    assert "in time" in told
    assert "10.5 of 40 s" in told
    assert "31.5 of 40 s" in told
    assert "not yet due" in told
    assert "due in 40 s" in told
    assert "MISSED" in told
    assert "none in 40 s" in told


def test_what_was_explained_by_another_is_told_as_quiet(words: str) -> None:
    told = " ".join(words.split())
    assert "It says no-breath-seen. (quiet: explained by another)" in told
    assert told.count("quiet:") == 1
