"""Who is logged in, for how long, and how often a password may be wrong."""

from __future__ import annotations

import pytest

from adapters.pages.people import Person
from adapters.pages.sessions import FAILURES_S, MOST_FAILURES, Sessions

MIRA, HALL = Person("mira", "team"), Person("hall", "wall")


class _Clock:
    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> _Clock:
    return _Clock()


@pytest.fixture
def sessions(clock: _Clock) -> Sessions:
    return Sessions(600.0, clock)


def test_use_keeps_a_session_and_looking_does_not(sessions: Sessions, clock: _Clock) -> None:
    token = sessions.begin(MIRA)
    for _ in range(5):
        clock.now_s += 500.0
        assert sessions.use(token) == MIRA
    clock.now_s += 400.0
    assert sessions.person(token) == MIRA
    clock.now_s += 400.0
    assert sessions.person(token) is None
    assert sessions.use(token) is None


def test_a_wall_is_never_logged_out(sessions: Sessions, clock: _Clock) -> None:
    token = sessions.begin(HALL)
    clock.now_s += 1e7
    assert sessions.person(token) == HALL
    sessions.end(token)
    assert sessions.person(token) is None


def test_tokens_are_their_own(sessions: Sessions) -> None:
    tokens = {sessions.begin(MIRA) for _ in range(50)}
    assert len(tokens) == 50
    assert min(map(len, tokens)) >= 40
    assert sessions.person(None) is sessions.person("") is sessions.person("guess") is None


def test_after_too_many_wrong_passwords_a_name_waits(sessions: Sessions, clock: _Clock) -> None:
    for _ in range(MOST_FAILURES):
        assert not sessions.must_wait("mira")
        sessions.failed("mira")
        clock.now_s += 1.0
    assert sessions.must_wait("mira")
    assert not sessions.must_wait("tern")
    clock.now_s += FAILURES_S
    assert not sessions.must_wait("mira")


def test_guessing_names_does_not_fill_the_memory(sessions: Sessions) -> None:
    for number in range(3000):
        sessions.failed(f"name-{number}")
        sessions.begin(MIRA)
    assert len(sessions._failures) <= 1000
    assert len(sessions._sessions) <= 1000
