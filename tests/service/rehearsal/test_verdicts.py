"""Each expectation is met by what it asks for, and by nothing else; what came instead is said."""

from __future__ import annotations

import pytest
from rehearsal_stage import WARM_UP, against, checked

E = "    expect:\n      - {rule: co2-high, "


@pytest.mark.parametrize(
    "asked",
    [
        E + "raised: 40 s}\n",
        E + "raised: 38 s to 39 s}\n",
        E + "raised: 40 s, priority: medium, says: the chest MOVING}\n",
        E + "raised: 40 s, with: {etco2: 55 to 60, settings.mode: controlled}}\n",
        E + "raised: 40 s, reminded: 100 s}\n",
        E + "raised: 40 s, cleared: 105 s, escalated: never}\n",
        E + "raised: 40 s}\n    never: co2-rising\n    others: silent\n",
        "    quiet: 0 s to 39 s\n",
        "    never: co2-rising\n",
    ],
)
def test_what_comes_as_asked_is_met(asked: str) -> None:
    found = checked(WARM_UP + asked)
    assert found
    assert all(one.met for one in found)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        (E + "raised: 20 s to 30 s}\n", "is raised between 20 and 30 s: raised at 40.0 s"),
        (E + "raised: 20 s to 30 s}\n", "raised at no other time: co2-high (medium) was raised"),
        (E + "raised: 40 s, priority: high}\n", "is of high priority: medium"),
        (E + "raised: 40 s, says: look at the tube}\n", "CO2 is 60 mmHg: is the chest moving?"),
        (E + "raised: 40 s, with: {etco2: 61 to 70}}\n", "etco2 61 mmHg to 70: 60 mmHg"),
        (E + "raised: 40 s, with: {spo2: 98}}\n", "comes with spo2 98 %: unknown"),
        (E + "raised: 40 s, with: {settings.mode: standby}}\n", "mode standby: controlled"),
        (E + "raised: 40 s, reminded: 60 s}\n", "is reminded at 60 s: reminded at 100.0 s"),
        (E + "raised: 40 s, reminded: [100 s, 170 s]}\n", "is reminded at 170 s"),
        (E + "raised: 40 s, escalated: 60 s}\n", "is escalated at 60 s: not escalated"),
        (E + "raised: 40 s, cleared: 90 s}\n", "is cleared at 90 s: cleared at 105.0 s"),
        (E + "raised: 40 s, cleared: never}\n", "never cleared: co2-high (medium) was cleared at"),
        (E + "raised: 40 s, explained_by: co2-rising}\n", "by co2-rising: nothing did"),
        ("    expect:\n      - {rule: co2-rising, raised: 40 s}\n", "is raised at 40 s: not"),
        ("    never: co2-high\n", "never raised: co2-high (medium) was raised at 40.0 s"),
        ("    quiet: 30 s to 45 s\n", "nothing speaks between 30 and 45 s: co2-high (medium)"),
        ("    never: co2-rising\n    others: silent\n", "no other rule speaks: co2-high (medium)"),
        (
            "    never: co2-rising\n    asked: [{at: 20 s, acknowledge: co2-high}]\n",
            "acknowledge co2-high at 20 s: no advisory of co2-high stands",
        ),
    ],
)  # fmt: skip
def test_what_comes_otherwise_is_not_and_is_told(asked: str, words: str) -> None:
    found = against(WARM_UP + asked)
    assert any(words in one for one in found), found


def test_a_reminder_that_is_not_expected_is_told() -> None:
    asked = WARM_UP.replace("60 for 70 s", "60 for 140 s") + E + "raised: 40 s, reminded: 160 s}\n"
    assert against(asked) == [
        "co2-high reminds at no other time: co2-high (medium) was reminded at 100.0 s"
    ]


def test_each_raising_needs_an_expectation_of_its_own() -> None:
    twice = WARM_UP.replace("60 for 70 s, 45", "60 for 20 s, 45 for 20 s, 60 for 20 s, 45")
    once = E + "raised: 40 s}\n"
    assert against(twice + once) == [
        "co2-high is raised at no other time: co2-high (medium) was returned at 80.0 s"
    ]
    assert against(twice + once + "      - {rule: co2-high, raised: 80 s}\n") == []


def test_what_is_explained_is_not_spoken() -> None:
    both = """\
    animal: cat
    lasts: 60 s
    facts: {etco2: "40 for 10 s, 60", etco2.slope_5min: "0 for 18 s, 3"}
    expect:
      - {rule: co2-high, raised: 20 s}
      - {rule: co2-rising, raised: 22 s, explained_by: co2-high}
    quiet: 21 s to 60 s
"""
    assert against(both) == []


def test_a_person_who_acknowledges_is_heard() -> None:
    asked = WARM_UP + "    asked: [{at: 50 s, acknowledge: co2-high, by: a nurse}]\n"
    assert against(asked + E + "raised: 40 s, cleared: 105 s}\n    quiet: 41 s to 3 min\n") == []


def test_a_pause_keeps_quiet_what_is_not_urgent() -> None:
    asked = WARM_UP + (
        "    asked:\n      - {at: 20 s, pause: 2 min, by: a nurse, reason: suction}\n"
    )
    assert against(asked + E + "raised: 40 s}\n    quiet: 0 s to 104 s\n") == []
