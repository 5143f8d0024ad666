"""Reading `rule-set.yaml`: what a rule set is called, and what it takes over from a parent."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from ruamel.yaml.nodes import Node, ScalarNode

from rules.limits import Approval
from rules.loading_limits import read_approval
from rules.reading import Problem, Reader
from rules.versions import parse_version

ABOUT_FILE: Final = "rule-set.yaml"
_REQUIRED: Final = ("name", "version", "title", "summary", "caution")
_NAME: Final = re.compile(r"[a-z][a-z0-9-]*")


@dataclass(frozen=True, slots=True)
class About:
    """What `rule-set.yaml` says. `without` are rules of the parent that a site leaves out."""

    name: str
    version: str
    title: str
    summary: str
    caution: str
    parent: str | None
    parent_place: Node
    without: Mapping[str, tuple[Node, Approval]]
    reader: Reader


def read_about(files: Mapping[str, str], problems: list[Problem]) -> About | None:
    """What the file says; None when something required is missing, which is then a problem."""
    reader = Reader(ABOUT_FILE, problems)
    if ABOUT_FILE not in files:
        problems.append(Problem(ABOUT_FILE, 1, 1, "this file is missing"))
        return None
    document = reader.document(files[ABOUT_FILE])
    if document is None:
        return None
    keys = reader.mapping(document, ABOUT_FILE, _REQUIRED, ("parent", "without")) or {}
    without = _without(keys.pop("without", None), reader)
    texts = {key: reader.text(node, f'"{key}"') for key, node in keys.items()}
    about = {key: text for key, text in texts.items() if text is not None}
    _check_names(about, keys, reader)
    if without and "parent" not in about:
        reader.problem(document, '"without" leaves out rules of a parent: name the parent')
    if not set(_REQUIRED) <= about.keys():
        return None
    return About(
        **{key: about[key] for key in _REQUIRED},
        parent=about.get("parent"),
        parent_place=keys.get("parent", document),
        without=without,
        reader=reader,
    )


def parent_named(text: str) -> str | None:
    """The parent that a `rule-set.yaml` names, as far as it can be read."""
    reader = Reader(ABOUT_FILE)
    document = reader.document(text)
    pairs = None if document is None else reader.pairs(document, ABOUT_FILE)
    if pairs is None or "parent" not in pairs:
        return None
    node = pairs["parent"][1]
    return str(node.value).strip() or None if isinstance(node, ScalarNode) else None


def _check_names(about: Mapping[str, str], keys: Mapping[str, Node], reader: Reader) -> None:
    if "name" in about and not _NAME.fullmatch(about["name"]):
        reader.problem(keys["name"], f'"{about["name"]}" is not a name: use a-z, 0-9 and -')
    try:
        parse_version(about.get("version", "0.0.0"))
    except ValueError as error:
        reader.problem(keys["version"], str(error))


def _without(node: Node | None, reader: Reader) -> dict[str, tuple[Node, Approval]]:
    left_out: dict[str, tuple[Node, Approval]] = {}
    for item in (() if node is None else reader.items(node, "rules to leave out")) or ():
        keys = reader.mapping(item, "a rule to leave out", ("rule", "approved"))
        if keys is None or len(keys) < 2:
            continue
        rule = reader.text(keys["rule"], "the id of a rule")
        approved = read_approval(keys["approved"], reader)
        if rule is not None and approved is not None:
            left_out[rule] = (keys["rule"], approved)
    return left_out
