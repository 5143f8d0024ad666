"""Loading a rule set from its files, with every problem found at its line and column.

The caller hands in file names and texts: `rule-set.yaml`, `limits.yaml` (may be left out when no
rule uses a limit) and any number of `*.yaml` with rules. Other files only count for the hash.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from ruamel.yaml.nodes import Node

from rules.limits import Limit, LimitTable
from rules.loading_limits import read_limits
from rules.loading_rules import Draft, read_rules
from rules.model import RuleSet
from rules.reading import Problem, Reader, RuleSetError, nearest
from rules.versions import content_hash, parse_version

__all__ = ["Problem", "RuleSetError", "load_rule_set"]

ABOUT_FILE: Final = "rule-set.yaml"
LIMITS_FILE: Final = "limits.yaml"
_NAME: Final = re.compile(r"[a-z][a-z0-9-]*")


def load_rule_set(files: Mapping[str, str]) -> RuleSet:
    """The rule set that these files (name to text) write.

    Raises RuleSetError with every problem found: (file, line, column, message).
    """
    problems: list[Problem] = []
    about = _about(files, problems)
    table, limits = _limits(files, problems)
    drafts, complete = _rules(files, limits, problems)
    _check_ids(drafts)
    _check_outranks(drafts, complete)
    if problems:
        raise RuleSetError(problems)
    return RuleSet(
        name=about["name"],
        version=about["version"],
        title=about["title"],
        summary=about["summary"],
        caution=about["caution"],
        parent=about.get("parent"),
        rules=tuple(draft.rule for draft in drafts if draft.rule is not None),
        limits=table,
        sha256=content_hash(files),
    )


def _about(files: Mapping[str, str], problems: list[Problem]) -> dict[str, str]:
    if ABOUT_FILE not in files:
        problems.append(Problem(ABOUT_FILE, 1, 1, "this file is missing"))
        return {}
    reader = Reader(ABOUT_FILE, problems)
    document = reader.document(files[ABOUT_FILE])
    if document is None:
        return {}
    required = ("name", "version", "title", "summary", "caution")
    keys = reader.mapping(document, ABOUT_FILE, required, ("parent",)) or {}
    texts = {key: reader.text(node, f'"{key}"') for key, node in keys.items()}
    about = {key: text for key, text in texts.items() if text is not None}
    if "name" in about and not _NAME.fullmatch(about["name"]):
        reader.problem(keys["name"], f'"{about["name"]}" is not a name: use a-z, 0-9 and -')
    try:
        parse_version(about.get("version", "0.0.0"))
    except ValueError as error:
        reader.problem(keys["version"], str(error))
    return about


def _limits(
    files: Mapping[str, str], problems: list[Problem]
) -> tuple[LimitTable, dict[str, Limit | None]]:
    """The table, and every declared name (None for one with problems)."""
    if LIMITS_FILE not in files:
        return LimitTable(), {}
    table, names = read_limits(files[LIMITS_FILE], Reader(LIMITS_FILE, problems))
    if names is None:
        return table, _Unread()
    return table, {name: table.limits.get(name) for name in names}


class _Unread(dict[str, Limit | None]):
    """Stands for limits that could not be read: any name may be one of them."""

    def __contains__(self, name: object) -> bool:
        return True

    def __missing__(self, name: str) -> None:
        return None


def _rules(
    files: Mapping[str, str], limits: Mapping[str, Limit | None], problems: list[Problem]
) -> tuple[list[Draft], bool]:
    """The rules of all files in order, and whether every file could be read."""
    drafts: list[Draft] = []
    complete = True
    for name in sorted(files):
        if name.endswith(".yml"):
            problems.append(Problem(name, 1, 1, "rule files are named *.yaml"))
        elif name.endswith(".yaml") and name not in (ABOUT_FILE, LIMITS_FILE):
            read = read_rules(files[name], Reader(name, problems), limits)
            complete = complete and read is not None
            drafts.extend(read or ())
    return drafts, complete


def _check_ids(drafts: list[Draft]) -> None:
    first: dict[str, Draft] = {}
    for draft in drafts:
        earlier = first.setdefault(draft.id, draft)
        if earlier is not draft:
            where = f"{earlier.reader.file}:{earlier.place.start_mark.line + 1}"
            draft.reader.problem(draft.place, f'rule id "{draft.id}" is already used at {where}')


def _check_outranks(drafts: list[Draft], complete: bool) -> None:
    graph: dict[str, dict[str, tuple[Draft, Node]]] = {draft.id: {} for draft in drafts}
    for draft in drafts:
        for name, node in draft.outranks:
            if name in graph:
                graph[draft.id].setdefault(name, (draft, node))
            elif complete:
                draft.reader.problem(node, f'"{name}" is not a rule{nearest(name, graph)}')
    seen: set[str] = set()
    for start in graph:
        _refuse_cycles(start, graph, [], seen)


def _refuse_cycles(
    rule_id: str,
    graph: Mapping[str, Mapping[str, tuple[Draft, Node]]],
    path: list[str],
    seen: set[str],
) -> None:
    if rule_id in seen:
        return
    path.append(rule_id)
    for name, (draft, node) in graph[rule_id].items():
        if name in path:
            circle = " outranks ".join([*path[path.index(name) :], name])
            draft.reader.problem(node, f"rules outrank each other in a circle: {circle}")
        else:
            _refuse_cycles(name, graph, path, seen)
    path.pop()
    seen.add(rule_id)
