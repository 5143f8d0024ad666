"""A scenario is read as it is written, and a mistake is named with its line and what was meant."""

from __future__ import annotations

import pytest
from rehearsal_stage import CAT, RULE_IDS, problems, scenario

from service.rehearsal.reading import read_scenarios
from service.rehearsal.scenario import NEVER, Animal, Facts, Readings, Recorded, Simulated
from service.rehearsal.times import Window

WHOLE = """\
    about: CO2 climbs, and comes down.
    animal: cat
    patient: {phase: weaning}
    lasts: 3 min
    facts: {etco2: "40 for 30 s, 60 for 70 s, 45"}
    asked:
      - {at: 90 s, pause: 2 min, by: a nurse, reason: suction}
      - {at: 50 s, acknowledge: co2-high}
      - {at: 95 s, resume: now}
    expect:
      - rule: co2-high
        raised: 38 s to 45 s
        priority: medium
        says: is the chest moving
        with: {etco2: 55 to 65, settings.mode: controlled}
        reminded: [100 s]
        escalated: never
        cleared: 105 s
    never: co2-rising
    quiet: [0 s to 30 s, 2 min to 3 min]
    others: silent
    tolerance: 0.5 s
"""


def test_everything_that_is_written_is_read() -> None:
    one = scenario(WHOLE)
    assert (one.name, one.about) == ("one", "CO2 climbs, and comes down.")
    assert str(one.where) == "some.yaml:6"
    assert one.animal == Animal("cat", "mammal", 3.0, "weaning")
    assert one.lasts_s == 180.0
    assert isinstance(one.timeline, Facts)
    assert one.timeline.series["etco2"].at(31.0) == 60.0
    assert one.timeline.series["settings.mode"].at(31.0) == "controlled"
    assert [(a.at_s, a.action, a.rule, a.minutes) for a in one.asked] == [
        (50.0, "acknowledge", "co2-high", None),
        (90.0, "pause", None, 2.0),
        (95.0, "resume", None, None),
    ]
    (expected,) = one.expects
    assert (expected.rule, expected.raised, expected.priority) == (
        "co2-high",
        Window(38.0, 45.0),
        "medium",
    )
    assert expected.with_ == {
        "etco2": (55.0, 65.0),
        "settings.mode": ("controlled", "controlled"),
    }
    assert (expected.reminded, expected.escalated) == ((Window(100.0, 100.0),), NEVER)
    assert expected.cleared == Window(105.0, 105.0)
    assert one.never == ("co2-rising",)
    assert one.quiet == (Window(0.0, 30.0), Window(120.0, 180.0))
    assert (one.others_silent, one.tolerance_s) == (True, 0.5)


@pytest.mark.parametrize(
    ("timeline", "kind"),
    [
        ("happens: nothing", Simulated),
        ("happens: [the tube is blocked at 60 s]", Simulated),
        ("readings: {spo2: 98, mode: controlled, supply: mains, phase: weaning}", Readings),
        ("recording: last-night.jsonl.gz", Recorded),
    ],
)
def test_a_timeline_is_one_of_four(timeline: str, kind: type) -> None:
    body = f"    patient: {{species: cat, mass: 3 kg}}\n    lasts: 60 s\n    {timeline}\n"
    assert isinstance(scenario(body + "    others: silent\n").timeline, kind)


def test_another_species_brings_its_own_class_and_no_mass_of_the_animal() -> None:
    body = "    animal: cat\n    patient: {species: kestrel}\n    lasts: 60 s\n"
    one = scenario(body + "    facts: {spo2: 98}\n    others: silent\n")
    assert one.animal == Animal("kestrel", "bird", None)


BODY = """\
scenarios:
  - scenario: one
    patient: {species: cat, mass: 3 kg}
    lasts: 60 s
    facts: {spo2: 98}
    others: silent
"""


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("others: silent", "othrs: silent", 6, 'did you mean "others"?'),
        ("others: silent", "others: quiet", 6, "is not what others may do"),
        ("    others: silent\n", "", 2, "a scenario expects something"),
        ("facts: {spo2: 98}", "facts: {spo: 98}", 5, 'did you mean "spo2"?'),
        ("facts: {spo2: 98}", "readings: {spo: 98}", 5, '"spo" is not a reading'),
        ("    facts: {spo2: 98}\n", "", 2, "found none"),
        ("facts: {spo2: 98}", "facts: {spo2: 98}\n    happens: nothing", 2, "happens and facts"),
        ("facts: {spo2: 98}", "recording: ../x.jsonl", 5, "lies beside the file"),
        (
            "facts: {spo2: 98}", "facts: {spo2: 98}\n    simulate: {lung: {}}", 6,
            "goes with happens",
        ),
        ("lasts: 60 s", "lasts: 60", 4, "lacks its unit"),
        ("lasts: 60 s", "lasts: 9 h", 4, "from 1 s to 6 h"),
        ("    lasts: 60 s\n", "", 2, "says how long it lasts"),
        ("species: cat", "species: catt", 2, "add its class"),
        ("species: cat, ", "", 2, "needs an animal"),
        ("mass: 3 kg", "mass: 3 s", 3, "cannot be converted"),
        ("others: silent", "never: co2-hgh", 6, 'did you mean "co2-high"?'),
        ("others: silent", "expect: [{rule: co2-high}]", 6, "lacks raised"),
        (
            "others: silent", "expect: [{rule: co2-high, raised: 50 s to 40 s}]", 6,
            "ends before it begins",
        ),
        (
            "others: silent", "expect: [{rule: co2-high, raised: 90 s}]", 2,
            "the scenario lasts 60 s",
        ),
        (
            "others: silent", "expect: [{rule: co2-high, raised: 9 s, priority: hihg}]", 6,
            'did you mean "high"?',
        ),
        (
            "others: silent", "expect: [{rule: co2-high, raised: 9 s}]\n    never: co2-high", 2,
            "expected, and never to be raised",
        ),
        (
            "others: silent",
            "expect: [{rule: co2-high, raised: 9 s, with: {settings.mode: a to b}}]", 6,
            "is one value, not from-to",
        ),
        ("others: silent", "asked: [{at: 5 s}]\n    others: silent", 6, "a request is one of"),
        ("others: silent", "asked: [{at: 5 s, pause: 2 min}]\n    others: silent", 6, "its reason"),
        ("scenarios:", "scenaris:", 1, 'did you mean "scenarios"?'),
        ("  - scenario: one\n    patient", "  - patient", 2, "lacks scenario"),
        ("spo2: 98", 'spo2: "98 for 5 s,"', 5, "is no value"),
    ],
)  # fmt: skip
def test_a_mistake_is_named_with_its_line(old: str, new: str, line: int, words: str) -> None:
    assert old in BODY
    found = problems(BODY.replace(old, new, 1))
    assert any(one.startswith(f"some.yaml:{line}:") and words in one for one in found), found


def test_a_name_stands_once_in_all_files() -> None:
    files = {"a.yaml": BODY, "b.yaml": BODY}
    with pytest.raises(ValueError, match=r"b\.yaml:2:5: .* already the name of that in a\.yaml:2"):
        read_scenarios(files, RULE_IDS)


def test_animals_of_one_file_serve_scenarios_of_another() -> None:
    body = BODY.replace("patient: {species: cat, mass: 3 kg}", "animal: cat")
    read = read_scenarios({"a.yaml": body, "z.yaml": CAT}, RULE_IDS)
    assert read.scenarios[0].animal.mass_kg == 3.0
    assert set(read.animals["cat"]) == {
        "settings.mode", "etco2", "etco2.slope_5min", "breath.overdue",
    }  # fmt: skip
    assert problems(body) == ['some.yaml:3:13: "cat" is not one of the animals']


def test_what_is_accepted_has_a_reason() -> None:
    text = "accepted:\n  - {of: co2-high, change: latches, because: it does not matter}\n"
    (one,) = read_scenarios({"some.yaml": text}, RULE_IDS).accepted
    assert (one.of, one.change, one.because) == ("co2-high", "latches", "it does not matter")
    assert "lacks because" in problems("accepted:\n  - {of: a, change: b}\n")[0]
