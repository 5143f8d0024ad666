"""Proposed scenarios as files, for a clinician to read and keep."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

from adapters.rehearsal.files import Found
from adapters.rehearsal.pool import Rehearsal
from adapters.rehearsal.run import Stage
from adapters.rule_files import LoadedRules, RuleFilesError
from service.rehearsal.filling import Proposal, proposals
from service.rehearsal.series import Series
from service.rehearsal.writing import written

_HEADS: Final = {
    "edges": "The edges of rules: each clause just fails in turn, then all just hold, then it is "
    "just over.",
    "limits": "The limits of other animals: the same edges at each value of a limit.",
    "explained": "Which advisory is shown under which, when both are there.",
}


def write_proposals(
    rules: LoadedRules,
    found: Found,
    rehearsal: Rehearsal,
    folder: Path,
    tell: Callable[[str], None],
) -> None:
    """Write scenarios for the changes that none notices into files of `folder`.

    RuleFilesError when there is no healthy animal to begin with, or a file is there already.
    """
    name, healthy = _animal(found)
    files = {about: folder / f"{about}.yaml" for about in _HEADS}
    there = [str(path) for path in files.values() if path.exists()]
    if there:
        raise RuleFilesError(f"{there[0]} is there already: give --propose another folder")
    open_ones = [one for one in rehearsal.survivors if rehearsal.reason(one) is None]
    facts = {fact: series.at(0.0) for fact, series in healthy.items()}
    made: dict[str, list[Proposal]] = {}
    for proposal in proposals(open_ones, Stage(rules.rule_set).judge, facts):
        made.setdefault(proposal.about, []).append(proposal)
    for about, proposed in made.items():
        texts = (written(one.scenario, name, healthy) for one in proposed)
        head = f"# {_HEADS[about]}\n# Proposed from the rules as they are: read each one.\n"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            files[about].write_text(head + "scenarios:\n" + "\n".join(texts), "utf-8")
        except OSError as error:
            raise RuleFilesError(f"{files[about]}: cannot be written: {error.strerror}") from None
    count = sum(map(len, made.values()))
    notices = sum(len(one.notices) for proposed in made.values() for one in proposed)
    tell(f"{count} scenarios are proposed in {folder}; they notice {notices} of {len(open_ones)}.")


def _animal(found: Found) -> tuple[str, Mapping[str, Series]]:
    """The animal of which most is known."""
    animals = found.read.animals
    if not any(animals.values()):
        raise RuleFilesError(
            "a proposal begins with a healthy animal: give one, with its facts, under `animals` "
            "in a scenario file"
        )
    return max(animals.items(), key=lambda item: len(item[1]))
