"""Which conditions each rule speaks of, read from `kinds.yaml` or a file like it."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources
from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from adapters.evaluation.truth_kinds import Kind
from rules.model import RuleSet


class EvaluationError(ValueError):
    """An evaluation that cannot be made; the text says what is wrong and how to mend it."""


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid")

    rules: dict[str, tuple[Kind, ...]] = {}
    causes: dict[str, tuple[Kind, ...]] = {}


def read_kinds(path: Path | None = None) -> Mapping[str, Mapping[str, frozenset[Kind]]]:
    """The sections `rules` and `causes` of a file of kinds (the one that comes with Tidewarden).

    EvaluationError names file and field of what is wrong in it.
    """
    name = str(path) if path is not None else "kinds.yaml"
    try:
        if path is None:
            text = (resources.files("adapters.evaluation") / "kinds.yaml").read_text("utf-8")
        else:
            text = path.read_text("utf-8")
        file = _File.model_validate(YAML(typ="safe", pure=True).load(text))
    except (OSError, YAMLError) as error:
        raise EvaluationError(f"{name}: cannot be read: {error}") from None
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        if not where:
            raise EvaluationError(
                f"{name}: expected `rules` and `causes`, each with kinds by name"
            ) from None
        known = ", ".join(Kind)
        raise EvaluationError(f"{name}: {where}: {first['msg']}; kinds are {known}") from None
    return {
        section: {key: frozenset(kinds) for key, kinds in getattr(file, section).items()}
        for section in ("rules", "causes")
    }


def kinds_of(
    rule_set: RuleSet, read: Mapping[str, Mapping[str, frozenset[Kind]]]
) -> dict[str, frozenset[Kind]]:
    """The kinds of every rule, by id; EvaluationError names the rules that are not mapped."""
    found: dict[str, frozenset[Kind]] = {}
    missing: list[str] = []
    for rule in rule_set.rules:
        kinds = read["rules"].get(rule.id, read["causes"].get(rule.cause))
        if kinds is None:
            missing.append(f"{rule.id} (cause: {rule.cause})")
        else:
            found[rule.id] = kinds
    if missing:
        raise EvaluationError(
            f"{rule_set.spec}: no kinds are written for {', '.join(missing)}; "
            "add the rule under `rules`, or its cause under `causes`, of the file of kinds"
        )
    return found
