"""JSON Schemas of the files of a rule set, so that an editor completes and checks while one writes.

They say what has its place where: keys, words, names of facts. What needs more than one file or a
unit's meaning is checked when the rule set is loaded.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from rules.limits import Confidence
from rules.model import SCOPE_FACTS, Op
from rules.priority import Harm, Onset
from rules.vocabulary import CATALOGUE, CLASSES, PHASES, Fact, Kind
from rules.vocabulary.species import species_known

Schema = dict[str, Any]

_DRAFT: Final = "https://json-schema.org/draft/2020-12/schema"
_ORDERINGS: Final = (Op.ABOVE, Op.BELOW, Op.AT_LEAST, Op.AT_MOST)
_EQUALITIES: Final = (Op.IS, Op.IS_NOT)
_NUMBER: Final = r"\d+(\.\d+)?([eE][+-]?\d+)?"
_SIGNED: Final = rf"[+-]?{_NUMBER}"
_NAMED: Final = r"(limit|parameter)\s+[a-z][a-z0-9_]*"
_PARAMETER: Final = r"parameter\s+[a-z][a-z0-9_]*"


def schemas() -> dict[str, Schema]:
    """A schema by the file it is for; `rules` serves every file with rules."""
    return {
        "rule-set": _file("What a rule set is called", _about()),
        "limits": _file("Limits: numbers that rules compare with", _limits()),
        "parameters": _file("Numbers and times that a site may set", _parameters()),
        "causes": _file("What findings may point to", _causes()),
        "rules": _file("Rules", _rules()),
    }


def _file(title: str, body: Schema) -> Schema:
    return {"$schema": _DRAFT, "title": title, **body, "$defs": _definitions()}


def _object(
    required: Mapping[str, Schema], optional: Mapping[str, Schema] | None = None, about: str = ""
) -> Schema:
    made: Schema = {
        "type": "object",
        "additionalProperties": False,
        "properties": {**required, **(optional or {})},
    }
    if required:
        made["required"] = list(required)
    return {**made, "description": about} if about else made


def _text(about: str = "") -> Schema:
    made: Schema = {"type": "string", "minLength": 1}
    return {**made, "description": about} if about else made


def _written(pattern: str, about: str = "") -> Schema:
    return {**_text(about), "pattern": rf"^\s*({pattern})\s*$"}


def _words(choice: list[str], about: str = "") -> Schema:
    return {"enum": choice, "description": about} if about else {"enum": choice}


def _list(of: Schema, about: str = "") -> Schema:
    return {"type": "array", "minItems": 1, "items": of, "description": about}


def _ref(name: str) -> Schema:
    return {"$ref": f"#/$defs/{name}"}


def _definitions() -> Schema:
    return {
        "quantity": _written(
            rf"{_NAMED}|{_SIGNED}\s*\S+",
            'A number with its unit ("20 s"), "limit NAME" or "parameter NAME"',
        ),
        "share": {
            "anyOf": [_ref("quantity"), {"type": "number"}],
            "description": 'A number ("0.7", "70 %"), "limit NAME" or "parameter NAME"',
        },
        "step": {
            "anyOf": [_written(rf"{_PARAMETER}|{_NUMBER}\s*\S+"), {"type": "number"}],
            "description": "By how much the limit or parameter is moved",
        },
        "time": {
            "anyOf": [_written(rf"{_PARAMETER}|{_NUMBER}\s*\S+"), {"const": 0}],
            "description": 'A time such as "10 s" or "2 min", or "parameter NAME"',
        },
        "pause": _written(rf"{_PARAMETER}|{_NUMBER}\s*\S+", 'A time such as "60 s"'),
        "band": _written(rf"{_SIGNED}\s*\S* to {_SIGNED}\s*\S*", "Lower and upper end"),
        "told": _written(r"[^{}]*(\{[^{}]+\}[^{}]*)*", "Text with values in braces"),
        "day": {"type": "string", "pattern": r"^\d{4}-\d{2}-\d{2}$"},
        "source": _object(
            {
                "ref": _text("Where it comes from, with its page"),
                "confidence": _words([c.value for c in Confidence], "How well it is supported"),
            }
        ),
        "approved": _object(
            {"by": _text("Who"), "on": _ref("day"), "why": _text("Why")},
            about="Who approved a site's own value, on what day, and why",
        ),
        "harm": _words([h.value for h in Harm], "What happens if nobody acts"),
        "onset": _words([o.value for o in Onset], "How soon that harm comes"),
        "condition": _condition(),
        "fact": _one_of(list(CATALOGUE.values())),
    }


def _one_of(facts: list[Fact]) -> Schema:
    """Names of facts; editors show what each means beside it."""
    return {
        "enum": [fact.name for fact in facts],
        "enumDescriptions": [_in_words(fact) for fact in facts],
    }


def _in_words(fact: Fact) -> str:
    unit = "" if fact.unit in ("", "1") else f", in {fact.unit}"
    return f"{fact.meaning}{unit}"


def _condition() -> Schema:
    group = {"type": "array", "minItems": 1, "items": _ref("condition")}
    return {
        "anyOf": [
            *(
                _object({kind: group}, about=about)
                for kind, about in (
                    ("all", "Every one holds"),
                    ("any", "At least one holds"),
                    ("none", "Not one of them holds"),
                )
            ),
            _object({"unknown": _ref("fact")}, about="The fact is not known"),
            *_comparisons(),
        ]
    }


def _comparisons() -> list[Schema]:
    by_kind = {kind: [f for f in CATALOGUE.values() if f.kind is kind] for kind in Kind}
    found: list[Schema] = []
    for op in _ORDERINGS:
        plain = [fact for fact in by_kind[Kind.NUMBER] if fact.unit == "1"]
        others = [fact for fact in by_kind[Kind.NUMBER] if fact.unit != "1"]
        found.append(_object({"fact": _one_of(plain), op.value: _ref("share")}))
        found.append(_object({"fact": _one_of(others), op.value: _ref("quantity")}))
        for step in ("less", "plus"):
            numbers = {"fact": _one_of(by_kind[Kind.NUMBER]), op.value: _written(_NAMED)}
            found.append(_object({**numbers, step: _ref("step")}))
    for op in _EQUALITIES:
        found.append(_object({"fact": _one_of(by_kind[Kind.FLAG]), op.value: {"type": "boolean"}}))
        found.extend(
            _object({"fact": _one_of([fact]), op.value: _label(fact)})
            for fact in by_kind[Kind.LABEL]
        )
    return found


def _label(fact: Fact) -> Schema:
    return _words(list(fact.labels)) if fact.labels else _text()


def _about() -> Schema:
    left_out = _object({"rule": _text("Id of a rule of the parent"), "approved": _ref("approved")})
    return _object(
        {
            "name": {"type": "string", "pattern": "^[a-z][a-z0-9-]*$"},
            "version": _written(r"\d+\.\d+\.\d+\S*", "Three numbers: 1.0.0"),
            "title": _text(),
            "summary": _text(),
            "caution": _text(),
        },
        {
            "parent": _written(
                r"[a-z][a-z0-9-]*@\d+\.\d+\.\d+\S*",
                "NAME@VERSION that a site's own rule set builds on",
            ),
            "without": _list(left_out, "Rules of the parent that are left out"),
        },
    )


def _by_name(pattern: str, of: Schema) -> Schema:
    return {
        "type": "object",
        "propertyNames": {"pattern": pattern},
        "additionalProperties": of,
    }


def _limits() -> Schema:
    where = _object(
        {},
        {
            "class": _words(list(CLASSES)),
            "species": {**_text(), "examples": list(species_known())},
            "mass": {
                **_ref("band"),
                "description": 'A band such as "0 kg to 1 kg": the low end included',
            },
            "phase": _words(list(PHASES)),
        },
        "For which patients; left out: for all",
    )
    value = _object(
        {"since": _ref("day"), "source": _ref("source")},
        {
            "value": {"type": "number", "description": "In the unit of the limit"},
            "absent": _text("Why there is no value"),
            "where": where,
            "approved": _ref("approved"),
        },
    )
    value["oneOf"] = [{"required": ["value"]}, {"required": ["absent"]}]
    limit = _object(
        {"values": _list(value, "The most specific one that fits the patient counts")},
        {
            "meaning": _text("What it is a limit of"),
            "unit": {"anyOf": [_text("UCUM"), {"const": 1}]},
        },
    )
    own = {"type": "array", "items": {"required": ["approved"]}}
    limit["anyOf"] = [
        {"required": ["meaning", "unit"]},
        {"properties": {"values": own}, **_without("meaning")},
    ]
    return _object({"limits": _by_name("^[a-z][a-z0-9_]*$", limit)})


def _without(*keys: str) -> Schema:
    return {"not": {"anyOf": [{"required": [key]} for key in keys]}}


def _parameters() -> Schema:
    parameter = _object(
        {"value": _ref("share")},
        {
            "meaning": _text(),
            "between": {
                **_ref("band"),
                "description": 'What a site may set it to: "10 s to 60 s"',
            },
            "source": _ref("source"),
            "approved": _ref("approved"),
        },
    )
    parameter["anyOf"] = [
        {"required": ["meaning", "between", "source"], "not": {"required": ["approved"]}},
        {"required": ["approved"], **_without("meaning", "between", "source")},
    ]
    return _object({"parameters": _by_name("^[a-z][a-z0-9_]*$", parameter)})


def _causes() -> Schema:
    sign = _object({"when": _ref("condition"), "says": _ref("told")})
    cause = _object(
        {"title": _text(), "look": _text("The one look that settles it")},
        {
            "fits": _list(sign, "What speaks for it"),
            "against": _list(sign, "What speaks against it"),
            "source": _ref("source"),
        },
    )
    return _object({"causes": _by_name("^[a-z][a-z0-9-]*$", cause)})


def _rules() -> Schema:
    return _object({"rules": _list(_object(_required_of_a_rule(), _optional_of_a_rule()))})


def _required_of_a_rule() -> dict[str, Schema]:
    return {
        "id": {"type": "string", "pattern": "^[a-z][a-z0-9-]*$"},
        "title": _text("A few words for lists"),
        "when": _ref("condition"),
        "harm": _ref("harm"),
        "onset": _ref("onset"),
        "cause": _text("What it points to: a cause of causes.yaml, where there is that file"),
        "says": {**_ref("told"), "description": "One line for the screen; values in braces"},
        "because": {**_ref("told"), "description": "The reasons, with values in braces"},
        "source": _ref("source"),
    }


def _optional_of_a_rule() -> dict[str, Schema]:
    need = {"anyOf": [_ref("fact"), _ref("condition")]}
    escalate = _object(
        {"harm": _ref("harm"), "onset": _ref("onset")},
        {"when": _ref("condition"), "for": _ref("time")},
    )
    escalate["anyOf"] = [{"required": ["when"]}, {"required": ["for"]}]
    return {
        "only_in": _some({key: _scope(key) for key in SCOPE_FACTS}),
        "needs": _list(need, "Facts to be known and conditions to hold before it is judged"),
        "for": _ref("time"),
        "clears": _ref("condition"),
        "clears_for": _ref("time"),
        "again": _ref("time"),
        "latch": {"type": "boolean", "description": "Stands until somebody has seen it"},
        "remind": _some({"raised": _ref("pause"), "acknowledged": _ref("pause")}),
        "escalate": escalate,
        "may_be": _list(_text(), "Causes to weigh against each other"),
        "outranks": _list(_text(), "Ids of rules that this one explains"),
        "look_at": _list(_text(), "Checks for the team, most useful first"),
        "caution": _text(),
    }


def _some(properties: Mapping[str, Schema]) -> Schema:
    return {**_object({}, properties), "minProperties": 1}


def _scope(key: str) -> Schema:
    labels = list(CATALOGUE[SCOPE_FACTS[key]].labels)
    return {"anyOf": [_words(labels), _list(_words(labels))]}
