"""Who is logged in: kept in memory, known by a random cookie, over after a time without use."""

from __future__ import annotations

import secrets
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from adapters.pages.people import Person

#: So many wrong passwords within this time, and the name has to wait for the rest of it.
MOST_FAILURES: Final = 5
FAILURES_S: Final = 300.0
#: Sessions are dropped when they are asked for; more than this are never kept.
_MOST: Final = 1000


@dataclass(slots=True)
class _Session:
    person: Person
    used_s: float


class Sessions:
    """Those who are logged in. `clock` gives seconds that never run back."""

    def __init__(self, idle_s: float, clock: Callable[[], float]) -> None:
        self._idle_s = idle_s
        self._clock = clock
        self._sessions: dict[str, _Session] = {}
        self._failures: dict[str, deque[float]] = {}

    def begin(self, person: Person) -> str:
        """A new session; gives what its cookie holds."""
        for token in [token for token in self._sessions if self.person(token) is None]:
            self._sessions.pop(token, None)
        while len(self._sessions) >= _MOST:
            self._sessions.pop(next(iter(self._sessions)))
        token = secrets.token_urlsafe(32)
        self._sessions[token] = _Session(person, self._clock())
        return token

    def person(self, token: str | None) -> Person | None:
        """Whose session this is; None for one that is over or never was."""
        session = self._sessions.get(token or "")
        if session is None:
            return None
        if session.person.role != "wall" and self._clock() - session.used_s > self._idle_s:
            del self._sessions[token or ""]
            return None
        return session.person

    def use(self, token: str | None) -> Person | None:
        """The same, and that its person did something."""
        person = self.person(token)
        if person is not None:
            self._sessions[token or ""].used_s = self._clock()
        return person

    def end(self, token: str | None) -> None:
        """Over, whoever holds the cookie."""
        self._sessions.pop(token or "", None)

    def must_wait(self, name: str) -> bool:
        """Whether too many wrong passwords were given for a name of late."""
        failures = self._failures.get(name)
        if failures is None:
            return False
        while failures and self._clock() - failures[0] > FAILURES_S:
            failures.popleft()
        if not failures:
            del self._failures[name]
        return len(failures) >= MOST_FAILURES

    def failed(self, name: str) -> None:
        """A wrong password was given for a name."""
        if len(self._failures) < _MOST or name in self._failures:
            self._failures.setdefault(name, deque(maxlen=MOST_FAILURES)).append(self._clock())
