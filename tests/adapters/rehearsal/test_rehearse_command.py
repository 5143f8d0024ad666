"""`tidewarden rehearse`: what it says, writes and ends with; and mistakes planted in the rules."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Literal
from xml.etree import ElementTree as ET

import pytest
from click.testing import CliRunner, Result
from rule_bench import library_with

from adapters.cli.main import main
from adapters.recordings import Line, write_recording
from adapters.rehearsal.files import find_scenarios
from adapters.rehearsal.run import Stage
from adapters.rule_files import DEFAULT_RULES, load_rules, rules_folder
from rules.coverage import clauses
from rules.mutation import Mutant
from service.rehearsal.noticing import Engines, Noticing
from service.rehearsal.scenario import Facts, Scenario

KINK = """\
scenarios:
  - scenario: a tube kinks
    patient: {species: rabbit, mass: 1.8 kg}
    lasts: 100 s
    happens: [the tube narrows to 6 times its resistance at 60 s over 5 s]
    expect:
      - {rule: airway-narrowing, raised: 62 s to 80 s, priority: high}
    never: disconnected
  - scenario: saturation falls
    patient: {species: rabbit, mass: 1.8 kg}
    lasts: 3 min
    readings: {spo2: "98 for 60 s, to 84 over 60 s, 84"}
    expect:
      - {rule: spo2-falling, raised: 70 s to 110 s}
"""


def rehearse(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["rehearse", "--jobs", "1", *map(str, arguments)])


@pytest.fixture
def kink(tmp_path: Path) -> Path:
    path = tmp_path / "kink.yaml"
    path.write_text(KINK, "utf-8")
    return path


def test_what_is_as_expected_ends_with_zero_and_files_say_so(kink: Path, tmp_path: Path) -> None:
    body, junit = tmp_path / "r.json", tmp_path / "r.xml"
    done = rehearse(kink, "--json", body, "--junit", junit)
    assert done.exit_code == 0, done.output
    assert "2 scenarios, all as expected" in done.output
    assert "never replaces" in done.output
    written = json.loads(body.read_text("utf-8"))
    assert "never replaces" in written["notice"]
    assert (written["scenarios"], written["not_as_expected"]) == (2, 0)
    assert [one["scenario"] for one in written["results"]] == ["a tube kinks", "saturation falls"]
    assert written["results"][0]["line"] == 2
    assert written["changes"]["of"] == 0, "nobody has asked for changes"
    root = ET.parse(junit).getroot()  # noqa: S314 (our own file)
    assert [case.get("name") for case in root.iter("testcase")] == [
        "a tube kinks",
        "saturation falls",
    ]
    assert not list(root.iter("failure"))
    took = {case.get("name"): float(case.get("time", "")) for case in root.iter("testcase")}
    assert min(took.values()) > 0.0
    assert sum(took.values()) <= float(root.get("time", "")) + 0.01
    assert written["results"][0]["took_s"] == pytest.approx(took["a tube kinks"], abs=0.001)


def test_what_is_not_ends_with_one_and_says_where_and_why(kink: Path, tmp_path: Path) -> None:
    kink.write_text(KINK.replace("raised: 62 s to 80 s", "raised: 30 s to 40 s"), "utf-8")
    junit = tmp_path / "r.xml"
    done = rehearse(kink, "--junit", junit)
    assert done.exit_code == 1
    assert "not as expected: a tube kinks" in done.output
    assert "is raised between 30 and 40 s: raised at" in " ".join(done.output.split())
    (failure, *_) = ET.parse(junit).getroot().iter("failure")  # noqa: S314 (our own file)
    assert "kink.yaml:7: airway-narrowing is raised between 30 and 40 s" in str(
        failure.get("message")
    )


def test_only_some_can_be_run(kink: Path) -> None:
    assert "1 scenario, all as expected" in rehearse(kink, "--only", "KINKS").output
    nothing = rehearse(kink, "--only", "whales")
    assert nothing.exit_code == 2
    assert "no scenario has 'whales' in its name" in nothing.output


@pytest.mark.parametrize(
    "more",
    [
        ("--html", "r.html"), ("--json", "r.json"), ("--junit", "r.xml"), ("--changes",),
        ("--propose", "new"), ("--require-clauses", 0), ("--require-noticed", 90),
        ("--store", "store"),
    ],
    ids=lambda more: more[0],
)  # fmt: skip
def test_what_does_not_go_with_watching_is_refused(
    kink: Path, more: tuple[object, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(kink.parent)
    done = rehearse(kink, "--watch", "--only", "kinks", *more)
    assert done.exit_code == 2
    assert f"--watch goes without {more[0]}:" in done.output
    assert [path.name for path in kink.parent.iterdir()] == ["kink.yaml"]


def test_where_nothing_could_be_run_nothing_was_tested(tmp_path: Path) -> None:
    path = tmp_path / "night.yaml"
    path.write_text(
        "scenarios:\n  - scenario: last night\n    patient: {species: cat, mass: 3 kg}\n"
        "    recording: gone.jsonl\n    never: disconnected\n",
        "utf-8",
    )
    done = rehearse(path, "--require-clauses", 1)
    assert done.exit_code == 1
    of = len(list(clauses(load_rules(DEFAULT_RULES).rule_set)))
    words = " ".join(done.output.split())
    assert f"Clauses seen true, false and deciding: 0 of {of}" in words


def test_names_that_no_xml_may_hold_are_written_all_the_same(kink: Path, tmp_path: Path) -> None:
    name = 'a <b> & "c" \\u0007'
    kink.write_text(KINK.replace("a tube kinks", f'"{name.replace(chr(34), chr(39))}"'), "utf-8")
    junit = tmp_path / "r.xml"
    done = rehearse(kink, "--junit", junit)
    assert done.exit_code == 0, done.output
    names = [case.get("name") for case in ET.parse(junit).getroot().iter("testcase")]  # noqa: S314 (our own file)
    assert names[0] == "a <b> & 'c' ?"


def test_floors_that_are_not_reached_end_with_one(kink: Path) -> None:
    done = rehearse(kink, "--require-clauses", 90)
    assert done.exit_code == 1
    assert "and 90 % are required" in done.output


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (KINK.replace("the tube narrows", "the tub narrows"), "kink.yaml:5:1: "),
        (KINK.replace("the tube narrows", "the tub narrows"), "did you mean"),
        (KINK.replace("species: rabbit", "species: axolotl"), "cannot be simulated"),
        (KINK.replace("mass: 1.8 kg", "phase: weaning"), "needs its mass"),
        (KINK.replace("    happens", "    simulate: {heart: {}}\n    happens"), "not one of"),
        (KINK.replace("    happens", "    simulate: {lung: {size: 3}}\n    happens"), "lung.size"),
    ],
)
def test_what_cannot_be_simulated_ends_with_two_and_its_line(
    kink: Path, text: str, words: str
) -> None:
    kink.write_text(text, "utf-8")
    done = rehearse(kink)
    assert done.exit_code == 2
    assert words in " ".join(done.output.split())


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["none.yaml"], "no such file or folder"),
        (["--rules", "small-animal-ventilation@0.1.0"], "has no scenarios"),
        (["--rules", "nothing@1"], "is not in the library"),
        (["."], "there is no scenario file"),
    ],
)
def test_wrong_use_ends_with_two(
    arguments: list[str], words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    done = rehearse(*arguments)
    assert done.exit_code == 2
    assert words in done.output


def test_a_mistake_in_a_file_ends_with_two_and_its_line(kink: Path) -> None:
    kink.write_text(KINK.replace("lasts: 100 s", "last: 100 s"), "utf-8")
    done = rehearse(kink)
    assert done.exit_code == 2
    assert 'kink.yaml:4:5: "last" is not a key of a scenario; did you mean "lasts"?' in done.output


def test_the_sentences_are_listed() -> None:
    done = rehearse("--sentences")
    assert done.exit_code == 0
    assert "~ the chest stiffens by SHARE" in done.output


def test_a_recording_is_run_from_its_own_time(tmp_path: Path) -> None:
    values = [98.0] * 60 + [98.0 - 0.3 * second for second in range(60)]
    lines = [
        Line(
            1_700_000_000_000 + 1000 * second,
            "tidewarden/1/ward/bay-4/numerics",
            {
                "schema": 1, "device": "monitor", "epoch": "1", "seq": second,
                "at": f"2023-11-14T22:{13 + (20 + second) // 60:02}:{(20 + second) % 60:02}.000Z",
                "values": {"spo2": {"value": value, "unit": "%"}},
            },
        )
        for second, value in enumerate(values)
    ]  # fmt: skip
    write_recording(tmp_path / "night.jsonl.gz", lines)
    path = tmp_path / "night.yaml"
    path.write_text(
        "scenarios:\n  - scenario: last night\n    patient: {species: cat, mass: 3 kg}\n"
        "    recording: night.jsonl.gz\n    expect:\n"
        "      - {rule: spo2-falling, raised: 70 s to 100 s}\n",
        "utf-8",
    )
    done = rehearse(path)
    assert done.exit_code == 0, done.output
    path.write_text(path.read_text("utf-8").replace("night.jsonl.gz", "day.jsonl.gz"), "utf-8")
    done = rehearse(path)
    assert done.exit_code == 1
    assert "no such file" in " ".join(done.output.split())


# -- mistakes planted in the rules ------------------------------------------------------------

#: A slip in a limit, a bond that is lost, a wrong unit: in which file and rule, what stood there,
#: what stands there now, and the words in which a difference tells of it.
PLANTED = {
    "a limit": (
        "limits.yaml", "rate-high", "      - value: 90\n", "      - value: 9\n", "90 -> 9/min",
    ),
    "a bond": (
        "airway.yaml", "airway-narrowing",
        "outranks: [volume-falling-silently, volume-collapsed, airway-n",
        "outranks: [volume-falling-silently, airway-n", "removed: volume-collapsed",
    ),
    "a unit": (
        "co2.yaml", "etco2-high", "above: limit etco2_high}",
        'above: limit etco2_high, plus: "2 kPa"}', "plus 15.001",
    ),
}  # fmt: skip
SCENARIOS = Path(str(rules_folder(DEFAULT_RULES))) / "scenarios"


@dataclass(frozen=True)
class Planted:
    """The library's rules with one slip in a limit, a bond or a rule, in a folder."""

    folder: Path
    rule: str
    words: str
    kind: Literal["threshold", "bond"]


@pytest.fixture(params=PLANTED)
def planted(request: pytest.FixtureRequest, tmp_path: Path) -> Planted:
    file, rule, before, after, words = PLANTED[request.param]
    folder = library_with(tmp_path / "rules", file, before, after)
    return Planted(folder, rule, words, "bond" if request.param == "a bond" else "threshold")


@pytest.mark.slow
def test_a_planted_mistake_is_found_by_the_scenarios(planted: Planted) -> None:
    quick = [path for path in SCENARIOS.glob("*.yaml") if path.stem != "simulated"]
    done = rehearse("--rules", planted.folder, "--only", planted.rule, *quick)
    assert done.exit_code == 1
    assert planted.rule in done.output.split("small-animal-ventilation@")[0]


def test_a_planted_mistake_is_found_by_the_difference(planted: Planted) -> None:
    done = CliRunner().invoke(main, ["rules", "diff", DEFAULT_RULES, str(planted.folder)])
    assert planted.words in " ".join(done.output.split())


@pytest.mark.slow
def test_a_planted_mistake_is_a_change_that_is_noticed(planted: Planted) -> None:
    good = load_rules(DEFAULT_RULES)
    bad = load_rules(str(planted.folder)).rule_set
    of = "rate_high" if planted.rule == "rate-high" else planted.rule
    change = Mutant(0, planted.kind, of, "planted", frozenset({planted.rule}), bad)
    stage, engines = Stage(good.rule_set), Engines()
    found = find_scenarios(DEFAULT_RULES, good)
    noticed = [
        scenario.name
        for scenario in found.scenarios
        if isinstance(scenario.timeline, Facts)
        if planted.rule in scenario.rules
        if list(noticing(stage, scenario, engines).noticed([change]))
    ]
    assert noticed


def noticing(stage: Stage, scenario: Scenario, engines: Engines) -> Noticing:
    ran = stage.rehearse(scenario).ran
    assert ran is not None
    return Noticing(scenario, ran, stage.judge, engines)
