"""Each kind of mistake is reported at its place, with what was expected."""

from __future__ import annotations

import pytest
from texts import ABOUT, FILES, LIMITS, RULES

from rules.loading import RuleSetError, load_rule_set

RULE_MISTAKES = [
    # (in the rules, written instead, line, column, parts of the message)
    ("etco2.min_30s, above", "etco2.min30s, above", 7, 18,
     ['"etco2.min30s" is not a fact', 'did you mean "etco2.min_30s"?']),
    ("above: limit etco2_high}", "abov: limit etco2_high}", 7, 33,
     ['"abov" is not a comparison', 'did you mean "above"?']),
    ("above: limit etco2_high}", "above: limit etco2_hgh}", 7, 40,
     ['"etco2_hgh" is not a limit', 'did you mean "etco2_high"?']),
    ("above: limit etco2_high}", "above: limit}", 7, 40, ['expected "limit" and one name']),
    ("above: limit etco2_high}", "above: limit te_short}", 7, 40,
     ["limit te_short cannot be compared", "'ms' cannot be converted to 'mm[Hg]'"]),
    ("above: limit etco2_high}", "above: 40}", 7, 40, ['"40" lacks its unit', "mm[Hg]"]),
    ("above: limit etco2_high}", "above: high}", 7, 40,
     ['expected a number and a unit of mm[Hg], found "high"']),
    ("above: limit etco2_high}", "above: 40 s}", 7, 40,
     ["'s' cannot be converted to 'mm[Hg]'"]),
    ("above: limit etco2_high}", "above: 40 mmHg}", 7, 40, ["'mmHg' is not a UCUM code"]),
    ("above: limit etco2_high}", "above: 40 kPa}", 7, 40,
     ['"40 kPa" is outside what etco2.min_30s can be (0 to 200 mm[Hg])']),
    ("above: limit etco2_high}", "above: 1e999 kPa}", 7, 40, ["too large a number"]),
    ("above: limit etco2_high}", "above: .inf}", 7, 40, ['".inf" is not used']),
    ("above: limit etco2_high}", "is: 40 kPa}", 7, 33,
     ["etco2.min_30s is a number: compare it with above, below, at_least, at_most"]),
    ("above: limit etco2_high}", "above: 5 kPa, below: 6 kPa}", 7, 11,
     ["expected one comparison of above, below"]),
    ("above: limit etco2_high}", "above: 5 kPa, less: 1 kPa}", 7, 47,
     ['"less" moves a limit']),
    ('less: "3 mm[Hg]"}', 'less: "3 mm[Hg]", plus: 1 kPa}', 18, 68,
     ['expected either "less" or "plus", found both']),
    ('less: "3 mm[Hg]"}', 'less: "-3 mm[Hg]"}', 18, 56, ["by more than nothing"]),
    ('less: "3 mm[Hg]"}', "less: 3 mm[Hg]}", 18, 60,
     ["not YAML", 'inside { } a unit with brackets needs quotes: "3 mm[Hg]"']),
    ("settings.mode, is: controlled", "settings.mode, is: controled", 10, 41,
     ['"controled" is not a label of settings.mode', 'did you mean "controlled"?']),
    ("settings.mode, is: controlled", "settings.mode, above: controlled", 10, 37,
     ["settings.mode is a label: compare it with is, is_not"]),
    ("settings.mode, is: controlled", "settings.mode, is: true", 10, 41,
     ['expected a label of settings.mode as text, found "true"']),
    ("        - none:", "        - not:", 12, 11,
     ['"not" does not begin a condition', "expected one of all, any, none"]),
    ("        - none:\n            - {fact: power.supply, is: mains}", "        - none: []", 12, 17,
     ['expected at least one of conditions under "none", found an empty list']),
    ("        - none:\n            - {fact: power.supply, is: mains}", "        - none: mains", 12,
     17, ['expected a list of conditions under "none", found "mains"']),
    ("        - {unknown: spo2}", "        - {unknown: spo3}", 14, 21,
     ['"spo3" is not a fact', 'did you mean "spo2"?']),
    ("        - {unknown: spo2}", "        - {}", 14, 11, ["expected one of all, any, none"]),
    ("        - {unknown: spo2}", "        - spo2", 14, 11,
     ['expected a condition as keys with values, found "spo2"']),
    ("        - {unknown: spo2}", "        - {unknown: spo2, all: []}", 14, 11,
     ["expected one of all, any, none, unknown"]),
    ("    for: 10 s", "    for: 10", 15, 10, ['expected a time such as "10 s", found "10"']),
    ("    for: 10 s", "    for: -10 s", 15, 10, ["a time that is not negative"]),
    ("    for: 10 s", "    for: 10 kPa", 15, 10, ["'kPa' cannot be converted to 's'"]),
    ("    for: 10 s", "    fro: 10 s", 15, 5,
     ['"fro" is not a key of a rule', 'did you mean "for"?']),
    ("    for: 10 s", "    title: again", 15, 5, ['"title" is already given in line 3']),
    ("mode: [controlled, spontaneous]", "mode: [controlled, manual]", 4, 34,
     ['"manual" is not a mode', "controlled, spontaneous, standby"]),
    ("mode: [controlled, spontaneous]", "mood: [controlled]", 4, 15,
     ['"mood" is not a key of "only_in"', 'did you mean "mode"?']),
    ("mode: [controlled, spontaneous], phase: maintenance", "", 4, 14, ['expected "only_in" with']),
    ("harm: death or irreversible injury", "harm: death", 20, 11,
     ['"death" is not a harm', "death or irreversible injury, reversible injury"]),
    ("onset: prompt", "onset: promt", 21, 12, ['"promt" is not an onset', '"prompt"']),
    ("outranks: [spo2-low]", "outranks: [spo2-lo]", 23, 16,
     ['"spo2-lo" is not a rule', 'did you mean "spo2-low"?']),
    ("outranks: [spo2-low]", "outranks: [etco2-high]", 23, 16,
     ["in a circle: etco2-high outranks etco2-high"]),
    ("CO2 is {etco2}, above", "CO2 is {etco}, above", 24, 11,
     ['"says" names "etco", which is not a fact', 'did you mean "etco2"?']),
    ("CO2 is {etco2}, above", "CO2 is {etco2, above", 24, 11, ["'{' has no partner"]),
    ("{source etco2_high}", "{source etco2}", 25, 14,
     ['"because" names limit "etco2", which is not one', 'did you mean "etco2_high"?']),
    ('look_at: ["the circuit", "the tube"]', "look_at: the circuit", 26, 14,
     ['expected a list of checks, found "the circuit"']),
    ('{ref: "a paper", confidence: published}', '{ref: "a paper", confidence: sure}', 27, 42,
     ['"sure" is not a confidence', "published, common practice, memory"]),
    ('{ref: "a paper", confidence: published}', '{confidence: published}', 27, 13,
     ["a source lacks ref"]),
    ("  - id: spo2-low\n", "  - id: etco2-high\n", 29, 9,
     ['rule id "etco2-high" is already used at co2.yaml:2']),
    ("  - id: spo2-low\n", "  - id: SpO2 low\n", 29, 9, ['"SpO2 low" is not a rule id']),
    ("    cause: hypoxaemia\n", "", 29, 5, ["a rule lacks cause"]),
    ("    cause: hypoxaemia\n", "    cause:\n", 34, 5,
     ['expected "cause" as text, found nothing']),
    ("    cause: hypoxaemia\n", "    cause: &x hypoxaemia\n", 34, 12, ["anchors and aliases"]),
    ("    cause: hypoxaemia\n", "    cause: !!binary aGk=\n", 34, 12, ["is not used in rule sets"]),
    ("    cause: hypoxaemia\n", "    <<: {cause: hypoxaemia}\n", 34, 5, ["expected a name as key"]),
    ("    cause: hypoxaemia\n", "    cause: hypo: xaemia\n", 34, 16,
     ["not YAML", "mapping values"]),
]  # fmt: skip

LIMIT_MISTAKES = [
    ("  te_short:", "  Te-short:", 14, 3, ['"Te-short" is not a limit name']),
    ("unit: ms", "unit: msec", 16, 11, ["'msec' is not a UCUM code"]),
    ("unit: ms\n", "unti: ms\n", 16, 5, ['"unti" is not a key of a limit', 'did you mean "unit"?']),
    ("value: 300", "value: 300 ms", 18, 16, ['expected a number without a unit, found "300 ms"']),
    ("value: 300", "value: .nan", 18, 16, ['".nan" is not used']),
    ("value: 300", "value: 0x1F", 18, 16, ['"0x1F" is not used']),
    ("value: 300", "value: 1e999", 18, 16, ["expected a number without a unit"]),
    ("      - value: 300\n        since", "      - since", 18, 9,
     ['expected either "value" or "absent"']),
    ("value: 300", "value: 300\n        absent: why", 18, 9,
     ['expected either "value" or "absent"']),
    ("value: 300\n        since: 2026-11-25", "value: 300\n        since: soon", 19, 16,
     ["expected a day such as 2026-11-25", '"soon"']),
    ("value: 300\n        since: 2026-11-25", "value: 300\n        since: 2026-13-25", 19, 16,
     ["expected a day such as 2026-11-25"]),
    ("{class: mammal}", "{class: mamal}", 7, 24,
     ['"mamal" is not a class', 'did you mean "mammal"?']),
    ("{class: mammal}", "{clas: mammal}", 7, 17, ['"clas" is not a key', 'did you mean "class"?']),
    ("{class: mammal}", "{mass: 0 kg to 1 s}", 7, 23, ["'s' cannot be converted to 'kg'"]),
    ("{class: mammal}", "{mass: under 1 kg}", 7, 23, ['such as "0 kg to 1 kg"', '"under 1 kg"']),
    ("{class: mammal}", "{mass: 1 kg to 500 g}", 7, 23, ["is empty: the lower end comes first"]),
    ("{class: reptile}", "{class: mammal}", 10, 9,
     ["this value and that of line 6 hold for the same patients since the same day"]),
    ("limits:\n", "limit:\n", 1, 1, ['"limit" is not a key of limits.yaml', '"limits"']),
]  # fmt: skip


def _mistakes(files: dict[str, str]) -> list[tuple[str, int, int, str]]:
    with pytest.raises(RuleSetError) as caught:
        load_rule_set(files)
    return [tuple(problem) for problem in caught.value.problems]  # type: ignore[misc]  # a problem is these four


def _check(file: str, text: str, mistake: tuple[str, str, int, int, list[str]]) -> None:
    right, wrong, line, column, parts = mistake
    assert right in text
    found = _mistakes({**FILES, file: text.replace(right, wrong, 1)})
    here = [
        message for name, at, across, message in found if (name, at, across) == (file, line, column)
    ]
    assert any(all(part in message for part in parts) for message in here), found


@pytest.mark.parametrize("mistake", RULE_MISTAKES, ids=lambda mistake: mistake[1].strip()[:50])
def test_mistakes_in_rules(mistake: tuple[str, str, int, int, list[str]]) -> None:
    _check("co2.yaml", RULES, mistake)


@pytest.mark.parametrize("mistake", LIMIT_MISTAKES, ids=lambda mistake: mistake[1].strip()[:50])
def test_mistakes_in_limits(mistake: tuple[str, str, int, int, list[str]]) -> None:
    _check("limits.yaml", LIMITS, mistake)


@pytest.mark.parametrize(
    ("files", "place", "part"),
    [
        ({"rule-set.yaml": ""}, ("rule-set.yaml", 1, 1), "the file is empty"),
        ({"rule-set.yaml": "- a\n"}, ("rule-set.yaml", 1, 1), "expected keys with values"),
        ({"rule-set.yaml": "a: \x01\n"}, ("rule-set.yaml", 1, 1), "a character no text has"),
        ({"rule-set.yaml": ABOUT.replace("0.1.0", "1")}, ("rule-set.yaml", 2, 10), "as text"),
        (
            {"rule-set.yaml": ABOUT.replace("0.1.0", "v1.0.0")},
            ("rule-set.yaml", 2, 10),
            "not a semantic version such as 0.1.0",
        ),
        (
            {"rule-set.yaml": ABOUT.replace("test-set", "Test Set")},
            ("rule-set.yaml", 1, 7),
            "is not a name",
        ),
        (
            {"rule-set.yaml": ABOUT.replace("caution: for tests only\n", "")},
            ("rule-set.yaml", 1, 1),
            "lacks caution",
        ),
        ({"more.yml": RULES}, ("more.yml", 1, 1), "rule files are named *.yaml"),
        ({"more.yaml": "rule: []\n"}, ("more.yaml", 1, 1), 'did you mean "rules"?'),
        ({"more.yaml": "rules: []\n"}, ("more.yaml", 1, 8), "found an empty list"),
        ({"more.yaml": "a: 1\n---\nb: 1\n"}, ("more.yaml", 2, 1), "not YAML"),
        ({"more.yaml": "[" * 20000}, ("more.yaml", 1, 1), "nested too deeply"),
    ],
)
def test_mistakes_in_whole_files(
    files: dict[str, str], place: tuple[str, int, int], part: str
) -> None:
    found = _mistakes({**FILES, **files})
    assert any(tuple(mistake[:3]) == place and part in mistake[3] for mistake in found), found


def test_a_missing_description() -> None:
    found = _mistakes({"limits.yaml": LIMITS, "co2.yaml": RULES})
    assert found == [("rule-set.yaml", 1, 1, "this file is missing")]


def test_rules_that_outrank_each_other() -> None:
    rules = RULES + "    outranks: [etco2-high]\n"
    [(file, line, column, message)] = _mistakes({**FILES, "co2.yaml": rules})
    assert (file, line, column) == ("co2.yaml", 38, 16)
    assert message.endswith("in a circle: etco2-high outranks spo2-low outranks etco2-high")


def test_a_limit_that_no_reading_can_reach_is_refused_where_it_is_used() -> None:
    limits = LIMITS.replace("unit: mm[Hg]", "unit: kPa")
    places = [mistake[:3] for mistake in _mistakes({**FILES, "limits.yaml": limits})]
    assert places == [("co2.yaml", 7, 40), ("co2.yaml", 18, 32)]


def test_a_condition_that_is_too_large() -> None:
    parts = ", ".join(f"{{fact: spo2, below: {50 + i} %}}" for i in range(33))
    rules = RULES.replace("{fact: spo2, below: 90 %}", f"{{any: [{parts}]}}")
    [(_, line, column, message)] = _mistakes({**FILES, "co2.yaml": rules})
    assert (line, column) == (31, 11)
    assert "can come true in 33 ways, more than 32" in message


def test_what_cannot_be_read_is_not_missed_elsewhere() -> None:
    rules, rest = RULES.split("  - id: spo2-low")
    broken = {"co2.yaml": rules, "b.yaml": f"rules: [\n  - id: spo2-low{rest}"}
    assert {mistake[0] for mistake in _mistakes({**FILES, **broken})} == {"b.yaml"}
    assert {mistake[0] for mistake in _mistakes({**FILES, "limits.yaml": "limits: ["})} == {
        "limits.yaml"
    }


def test_a_limit_with_a_mistake_is_not_reported_again_where_it_is_used() -> None:
    found = _mistakes({**FILES, "limits.yaml": LIMITS.replace("value: 55", "value: high")})
    assert [mistake[:3] for mistake in found] == [("limits.yaml", 6, 16)]


def test_a_condition_whose_opposite_is_too_large_needs_its_own_clears() -> None:
    parts = ", ".join(f"{{fact: spo2, below: {50 + i} %}}" for i in range(33))
    rules = RULES.replace("{fact: spo2, below: 90 %}", f"{{all: [{parts}]}}")
    [(_, line, column, message)] = _mistakes({**FILES, "co2.yaml": rules})
    assert (line, column) == (31, 11)
    assert message.endswith('write "clears"')
    assert load_rule_set({**FILES, "co2.yaml": rules + "    clears: {fact: spo2, above: 95 %}\n"})
