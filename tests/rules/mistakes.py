"""One mistake in good files: where it must be reported, and in what words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pytest

from rules.loading import RuleSetError, load_rule_set


@dataclass(frozen=True)
class Mistake:
    """`wrong` in the place of `right`; the report says `words` and stands where `at` begins.

    `at` is the only one in the file, or the first after the mistake begins.
    """

    file: str
    right: str
    wrong: str
    at: str
    words: tuple[str, ...]

    def written(self, files: Mapping[str, str]) -> dict[str, str]:
        """The files with the mistake in them."""
        text = files[self.file]
        assert text.count(self.right) == 1, self.right
        return {**files, self.file: text.replace(self.right, self.wrong)}

    def place(self, files: Mapping[str, str]) -> tuple[str, int, int]:
        """File, line and column of the report, worked out from the text alone."""
        text = self.written(files)[self.file]
        start = 0 if text.count(self.at) == 1 else files[self.file].index(self.right)
        before = text[: text.index(self.at, start)]
        return self.file, before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1


def problems(files: Mapping[str, str]) -> list[tuple[str, int, int, str]]:
    """What is reported."""
    with pytest.raises(RuleSetError) as caught:
        load_rule_set(files)
    return [(p.file, p.line, p.column, p.message) for p in caught.value.problems]


def reported(mistake: Mistake, files: Mapping[str, str]) -> None:
    """Asserts that the mistake, and nothing else, is reported at its place in its words."""
    found = problems(mistake.written(files))
    assert [problem[:3] for problem in found] == [mistake.place(files)], found
    for words in mistake.words:
        assert words in found[0][3], found


def reported_first(mistake: Mistake, files: Mapping[str, str]) -> None:
    """As `reported`, where one mistake has consequences: they stand in the same file."""
    found = problems(mistake.written(files))
    assert {problem[0] for problem in found} == {mistake.file}, found
    here = [message for *place, message in found if tuple(place) == mistake.place(files)]
    assert any(all(words in message for words in mistake.words) for message in here), found
