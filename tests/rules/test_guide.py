"""The guide for authors: every example loads, alone is what it says, and its commands work."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner
from schema_check import complaints
from texts_full import built_on

from adapters.cli.main import main
from rules.loading import load_rule_set
from rules.loading_rules import _OPTIONAL, _REQUIRED
from rules.priority import Harm, Onset, priority_of

GUIDE = (Path(__file__).parents[2] / "rules" / "README.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(
    r"```yaml\n# (\S+)( of a house that builds on it)?\n(.*?)```", GUIDE, re.DOTALL
)
FIRST_STEPS = {name: text for name, house, text in EXAMPLES if not house and "/" not in name}
HOUSE = {name: text for name, house, text in EXAMPLES if house}
OUR_HOUSE = {name.partition("/")[2]: text for name, _, text in EXAMPLES if "/" in name}


@pytest.fixture
def our_house(tmp_path: Path) -> str:
    """The folder of the worked example."""
    for name, text in OUR_HOUSE.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    return str(tmp_path)


def test_no_example_is_left_out() -> None:
    """Every example names its file, and no two are the same file."""
    assert GUIDE.count("```yaml") == len(EXAMPLES) == len({example[:2] for example in EXAMPLES})
    assert len(FIRST_STEPS) + len(HOUSE) + len(OUR_HOUSE) == len(EXAMPLES)


def test_the_examples_load_as_one_rule_set() -> None:
    rule_set = load_rule_set(FIRST_STEPS)
    assert [rule.id for rule in rule_set.rules] == ["etco2-high", "spo2-low"]
    assert rule_set.rule("etco2-high").clears_for_s == 5.0
    low = rule_set.rule("spo2-low")
    assert (low.for_s, low.again_s, low.latch) == (10.0, 120.0, True)
    assert (low.remind.raised_s, low.remind.acknowledged_s) == (60.0, 300.0)
    assert low.escalate is not None
    assert (low.priority, low.escalate.priority, low.escalate.for_s) == ("medium", "high", 15.0)


def test_the_parameter_of_a_house_reaches_the_rule() -> None:
    about = FIRST_STEPS["rule-set.yaml"].replace("first-steps", "house")
    files = built_on(FIRST_STEPS, {**HOUSE, "rule-set.yaml": f"{about}parent: first-steps@0.1.0\n"})
    rule = load_rule_set(files).rule("spo2-low")
    assert rule.for_s == 20.0
    assert rule.because.endswith("Waited 20 s.")


@pytest.mark.parametrize(("name", "house", "text"), EXAMPLES, ids=lambda part: part[:30])
def test_an_editor_has_nothing_to_say(name: str, house: str, text: str) -> None:
    assert complaints(name.rpartition("/")[2], text) == []


@pytest.mark.parametrize("key", [*_REQUIRED, *_OPTIONAL])
def test_every_key_of_a_rule_is_explained_and_used(key: str) -> None:
    assert re.search(rf"^\| .*`{key}`.* \|", GUIDE, re.MULTILINE)
    assert any(f"{key}:" in text for _, _, text in EXAMPLES) or key == "outranks"


def test_the_table_of_priorities() -> None:
    for harm in Harm:
        words = " | ".join(priority_of(harm, onset) for onset in Onset)
        assert f"| `{harm}` | {words} |" in GUIDE


def test_our_house_is_well_written(our_house: str) -> None:
    done = CliRunner().invoke(main, ["rules", "check", our_house])
    assert done.exit_code == 0, done.output
    assert "our-house@1.0.0" in done.output
    assert "too-warm" in done.output
    assert "clock-skew" not in done.output


def test_the_limits_of_a_rabbit_in_our_house(our_house: str) -> None:
    """The line that the guide shows, with the command that it gives."""
    [command] = re.findall(r"^tidewarden (rules limits .*)$", GUIDE, re.MULTILINE)
    arguments = [our_house if word == "our-house" else word for word in command.split()]
    done = CliRunner().invoke(main, arguments, env={"COLUMNS": "200"})
    assert done.exit_code == 0, done.output
    [shown] = re.findall(r"`(etco2_high  48 mmHg.*?)`", GUIDE)
    assert shown in done.output
    more = CliRunner().invoke(main, [*arguments, "--all"], env={"COLUMNS": "200"})
    assert "passed over: 55 mmHg" in more.output
