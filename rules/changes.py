"""One change between two rule sets, in words, and the step of the version that it asks for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from enum import IntEnum
from itertools import groupby, zip_longest
from typing import Literal, TypeVar

from rules.limits import Approval, Source
from rules.versions import Version, parse_version

T = TypeVar("T")
Part = Literal["rule set", "rule", "limit", "cause", "parameter"]


class Step(IntEnum):
    """Which number of the version goes up. Our rule of thumb, no standard:

    - PATCH: words, sources and approvals; no advisory comes, goes or ranks differently.
    - MINOR: something is said that was not, or earlier or more urgently: a new rule, a wider
      condition, a tighter limit, a shorter `for`, a priority raised; and what only sorts: causes,
      parameters (each rule in which one stands is judged by itself), what outranks what.
    - MAJOR: something a team relies on being told may not be told any more, or later, or less
      urgently, or be over sooner: a rule removed or renamed, a narrower condition, fewer modes or
      animals, a longer `for`, a priority lowered, a limit loosened or without a value; or what
      sets built upon this one refer to is gone: a limit, a cause, a parameter, a unit.

    When it cannot be shown that nothing falls silent, the step is MAJOR. Before 1.0.0 both MINOR
    and MAJOR raise the second number. How much it matters the difference in behaviour shows.
    """

    PATCH = 1
    MINOR = 2
    MAJOR = 3

    @property
    def words(self) -> str:
        """patch, minor or major."""
        return self.name.lower()


@dataclass(frozen=True, slots=True)
class Change:
    """One change: of what part, which one, in which field; None where there was or is nothing.

    `subject` is an id or a name, of a limit with for whom: `etco2_high for mammals`.
    """

    part: Part
    subject: str
    field: str
    before: str | None
    after: str | None
    step: Step

    @property
    def words(self) -> str:
        """As a clinician reads it: `etco2_high for mammals: 55 mmHg -> 50 mmHg`."""
        head = self.subject if self.field in ("", "value") else f"{self.subject}, {self.field}"
        if self.before is None:
            return f"{head}: added: {self.after}"
        if self.after is None:
            return f"{head}: removed: {self.before}"
        return f"{head}: {self.before} -> {self.after}"

    @property
    def whole(self) -> str:
        """What it is a change of: a limit without for whom."""
        return self.subject.split(" for ")[0] if self.part == "limit" else self.subject

    @property
    def where(self) -> str:
        """The field, of a limit with for whom; empty for the whole."""
        if self.whole == self.subject:
            return self.field
        whom = self.subject.removeprefix(f"{self.whole} ")
        return whom if self.field == "value" else f"{whom}, {self.field}"


def by_subject(changes: Iterable[Change]) -> list[tuple[Part, str, list[Change]]]:
    """Changes of the same rule, limit or other part together, in order."""
    grouped = groupby(changes, key=lambda change: (change.part, change.whole))
    return [(part, subject, list(group)) for (part, subject), group in grouped]


def asked_step(changes: Iterable[Change]) -> Step | None:
    """The greatest step that one of the changes asks for; None without changes."""
    return max((change.step for change in changes), default=None)


def next_version(version: str, step: Step) -> str:
    """The version that `step` leads to from `version`. ValueError for one that is not semantic."""
    old = parse_version(version)
    if old.prerelease:
        return str(Version(old.major, old.minor, old.patch))
    if step is Step.PATCH:
        return str(Version(old.major, old.minor, old.patch + 1))
    if step is Step.MINOR or old.major == 0:
        return str(Version(old.major, old.minor + 1, 0))
    return str(Version(old.major + 1, 0, 0))


def taken_step(before: str, after: str) -> Step | None:
    """The step from one version to a later one, as asked before 1.0.0; None when not later."""
    old, new = parse_version(before), parse_version(after)
    if new.precedence <= old.precedence:
        return None
    if new.major > old.major:
        return Step.MAJOR
    if new.minor > old.minor:
        return Step.MAJOR if new.major == 0 else Step.MINOR
    return Step.MAJOR if old.prerelease else Step.PATCH


def pairs(before: Sequence[T], after: Sequence[T]) -> list[tuple[T | None, T | None]]:
    """What differs between two sequences: replaced ones side by side, None for nothing."""
    found: list[tuple[T | None, T | None]] = []
    matcher = SequenceMatcher(None, before, after, autojunk=False)
    for tag, low, high, other_low, other_high in matcher.get_opcodes():
        if tag == "equal":
            continue
        found.extend(zip_longest(before[low:high], after[other_low:other_high]))
    return found


def quoted(text: str) -> str:
    """A text in quotes; an empty one is none."""
    return f'"{text}"' if text else "none"


def source_words(source: Source | None) -> str:
    """Where something comes from, and how sure that is."""
    return "none" if source is None else f"{source.ref} ({source.confidence.value})"


def approval_words(approval: Approval | None) -> str:
    """Who approved, when and why."""
    if approval is None:
        return "not approved"
    return f"approved by {approval.by} on {approval.on}: {approval.why}"
