"""What an editor with the schema would say of a file."""

from __future__ import annotations

from functools import cache

from jsonschema import Draft202012Validator
from ruamel.yaml import YAML, YAMLError
from ruamel.yaml.constructor import SafeConstructor

from rules.schema import schemas

_OF_FILE = {f"{name}.yaml": name for name in ("rule-set", "limits", "parameters", "causes")}


@cache
def validator(name: str) -> Draft202012Validator:
    return Draft202012Validator(schemas()[name])


class _AsAnEditor(SafeConstructor):
    """Days are texts to an editor (YAML 1.2.2, section 10.3: the core schema has no dates)."""


_AsAnEditor.add_constructor("tag:yaml.org,2002:timestamp", lambda _, node: node.value)


def complaints(file: str, text: str) -> list[str]:
    """Where the schema for this file is not met; what is not YAML is a complaint too."""
    yaml = YAML(typ="safe", pure=True)
    yaml.Constructor = _AsAnEditor
    try:
        body = yaml.load(text)
    except YAMLError as error:
        return [f"not YAML: {type(error).__name__}"]
    found = validator(_OF_FILE.get(file, "rules")).iter_errors(body)
    return [f"{error.json_path}: {error.message[:80]}" for error in found]
