"""Loading a rule set from its files, with every problem found at its line and column.

The caller hands in file names and texts: `rule-set.yaml`, `limits.yaml`, `parameters.yaml` and
`causes.yaml` (each may be left out) and any number of `*.yaml` with rules. A site's own rule set
brings the files of its parent along, with `parent/` before their names. Other files only count
for the hash.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Final

from ruamel.yaml.nodes import Node

from rules.limits import Limit, LimitTable
from rules.loading_about import ABOUT_FILE, About, read_about
from rules.loading_causes import read_causes
from rules.loading_limits import read_limits
from rules.loading_names import Declared, Names
from rules.loading_parameters import read_parameters
from rules.loading_rules import Draft, read_rules
from rules.model import Cause, Parameter, RuleSet
from rules.reading import Problem, Reader, RuleSetError, nearest
from rules.versions import content_hash

__all__ = ["PARENT", "Problem", "RuleSetError", "load_rule_set"]

LIMITS_FILE: Final = "limits.yaml"
PARAMETERS_FILE: Final = "parameters.yaml"
CAUSES_FILE: Final = "causes.yaml"
PARENT: Final = "parent/"
"""Stands before the names of the files of a parent."""

_NAMES_UNREAD: Final = Names(Declared(unread=True), Declared(unread=True))
_NOT_RULES: Final = (ABOUT_FILE, LIMITS_FILE, PARAMETERS_FILE, CAUSES_FILE)


def load_rule_set(files: Mapping[str, str]) -> RuleSet:
    """The rule set that these files (name to text) write.

    Raises RuleSetError with every problem found: (file, line, column, message).
    """
    problems: list[Problem] = []
    about = read_about(files, problems)
    parent = _parent(files, about, problems)
    orphaned = parent is None and _builds_on_a_parent(files, about)
    read = files if parent is not None else _own_files(files)
    names = _NAMES_UNREAD if orphaned else _names(read, parent, problems)
    left_out = _left_out(read)
    drafts, complete = _rules(read, left_out, names, problems)
    _check_ids(drafts)
    _check_outranks(drafts, complete and not orphaned, left_out[-1])
    if problems or about is None:
        raise RuleSetError(problems)
    return RuleSet(
        name=about.name,
        version=about.version,
        title=about.title,
        summary=about.summary,
        caution=about.caution,
        parent=about.parent,
        rules=tuple(draft.rule for draft in drafts if draft.rule is not None),
        limits=LimitTable(names.limits.good()),
        causes={} if names.causes is None else names.causes.good(),
        parameters=names.parameters.good(),
        without={rule: approved for rule, (_, approved) in about.without.items()},
        groups={draft.id: _group(draft.reader.file) for draft in drafts},
        sha256=content_hash(files),
    )


def _group(file: str) -> str:
    return file.rpartition("/")[2].removesuffix(".yaml")


def _parent(
    files: Mapping[str, str], about: About | None, problems: list[Problem]
) -> RuleSet | None:
    inner = _files_of_parent(files)
    if about is None or about.parent is None:
        return None
    place = about.reader
    if not inner:
        message = f"the files of the parent {about.parent} are not here"
        place.problem(about.parent_place, message)
        return None
    try:
        parent = load_rule_set(inner)
    except RuleSetError as error:
        problems.extend(p._replace(file=PARENT + p.file) for p in error.problems)
        return None
    found = parent.spec
    if found != about.parent:
        message = f"the parent is said to be {about.parent}, its files are {found}"
        place.problem(about.parent_place, message)
    known = {rule.id for rule in parent.rules}
    for rule, (node, _) in about.without.items():
        if rule not in known:
            place.problem(node, f'"{rule}" is not a rule of the parent{nearest(rule, known)}')
    return parent


def _files_of_parent(files: Mapping[str, str]) -> dict[str, str]:
    return {n.removeprefix(PARENT): text for n, text in files.items() if n.startswith(PARENT)}


def _own_files(files: Mapping[str, str]) -> dict[str, str]:
    return {name: text for name, text in files.items() if not name.startswith(PARENT)}


def _builds_on_a_parent(files: Mapping[str, str], about: About | None) -> bool:
    if about is None:
        return bool(_files_of_parent(files))
    return about.parent is not None


def _names(files: Mapping[str, str], parent: RuleSet | None, problems: list[Problem]) -> Names:
    known_limits = {} if parent is None else dict(parent.limits.limits)
    limits: Declared[Limit] = Declared(known_limits)
    if LIMITS_FILE in files:
        reader = Reader(LIMITS_FILE, problems)
        limits = limits.with_more(read_limits(files[LIMITS_FILE], reader, known_limits))
    known_parameters = {} if parent is None else dict(parent.parameters)
    parameters: Declared[Parameter] = Declared(known_parameters)
    if PARAMETERS_FILE in files:
        reader = Reader(PARAMETERS_FILE, problems)
        read = read_parameters(files[PARAMETERS_FILE], reader, known_parameters)
        parameters = parameters.with_more(read)
    return Names(limits, parameters, _causes(files, Names(limits, parameters), problems))


def _causes(
    files: Mapping[str, str], names: Names, problems: list[Problem]
) -> Declared[Cause] | None:
    """The causes of parent and site; the parent's anew, since they may tell a parameter."""
    causes: Declared[Cause] | None = None
    for name in sorted(files, reverse=True):
        if name.rpartition(PARENT)[2] == CAUSES_FILE and name.startswith((PARENT, CAUSES_FILE)):
            read = read_causes(files[name], Reader(name, problems), names)
            causes = read if causes is None else causes.with_more(read)
    return causes


def _left_out(files: Mapping[str, str]) -> list[frozenset[str]]:
    """Rules left out by generation: of the files themselves none, of those of the parent the ones
    that these leave out, of its parent those of both, and so on; last, all that are left out."""
    left_out: list[frozenset[str]] = [frozenset()]
    prefix = ""
    while prefix + ABOUT_FILE in files:
        about = read_about({ABOUT_FILE: files[prefix + ABOUT_FILE]}, [])
        left_out.append(left_out[-1].union(() if about is None else about.without))
        prefix += PARENT
    return left_out


def _rules(
    files: Mapping[str, str],
    left_out: list[frozenset[str]],
    names: Names,
    problems: list[Problem],
) -> tuple[list[Draft], bool]:
    """The rules of all files in order, and whether every file could be read.

    The parent's are read anew: a site may have set a parameter that they use. Their causes were
    checked with the parent, which may describe none where the site does.
    """
    inherited = replace(names, causes=None)
    drafts: list[Draft] = []
    complete = True
    for name in sorted(files):
        if name.endswith(".yml"):
            problems.append(Problem(name, 1, 1, "rule files are named *.yaml"))
        elif name.endswith(".yaml") and name.rpartition("/")[2] not in _NOT_RULES:
            generation = name.count(PARENT)
            reader = Reader(name, problems)
            read = read_rules(files[name], reader, inherited if generation else names)
            complete = complete and read is not None
            drafts.extend(d for d in read or () if d.id not in left_out[generation])
    return drafts, complete


def _check_ids(drafts: list[Draft]) -> None:
    first: dict[str, Draft] = {}
    for draft in drafts:
        earlier = first.setdefault(draft.id, draft)
        if earlier is not draft:
            where = f"{earlier.reader.file}:{earlier.place.start_mark.line + 1}"
            draft.reader.problem(draft.place, f'rule id "{draft.id}" is already used at {where}')


def _check_outranks(drafts: list[Draft], complete: bool, left_out: Collection[str]) -> None:
    graph: dict[str, dict[str, tuple[Draft, Node]]] = {draft.id: {} for draft in drafts}
    for draft in drafts:
        for name, node in draft.outranks:
            if name in graph:
                graph[draft.id].setdefault(name, (draft, node))
            elif complete and not (name in left_out and draft.reader.file.startswith(PARENT)):
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
