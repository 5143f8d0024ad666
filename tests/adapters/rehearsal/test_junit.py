"""A rehearsal for programs: JUnit XML that any reader takes, and JSON with everything in it."""

from __future__ import annotations

import json
from dataclasses import replace
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_bench import STIFF, WRONG, report, rules, whole_report

from adapters.rehearsal.report import Report, json_body, junit_text
from adapters.rehearsal.run import Rehearsed
from rules.coverage import clauses
from rules.notice import NOTICE
from service.rehearsal.scenario import Written
from service.rehearsal.verdicts import Verdict


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Report:
    return whole_report(tmp_path_factory.mktemp("report"))


@pytest.fixture(scope="module")
def some(tmp_path_factory: pytest.TempPathFactory) -> Report:
    return report(tmp_path_factory.mktemp("some"), {"stiff.yaml": STIFF, "wrong.yaml": WRONG})


def parsed(written: Report) -> ET.Element:
    return ET.fromstring(junit_text(written))  # noqa: S314 (our own text)


# -- JUnit XML --------------------------------------------------------------------------------


def test_a_suite_is_a_file_and_a_case_a_scenario(whole: Report) -> None:
    root = parsed(whole)
    assert root.tag == "testsuites"
    assert (root.get("tests"), root.get("failures"), root.get("errors")) == ("9", "6", "0")
    assert root.get("time") == "2.500"
    suites = root.findall("testsuite")
    assert [(s.get("name"), s.get("tests"), s.get("failures")) for s in suites] == [
        ("stiff.yaml", "1", "0"), ("wrong.yaml", "5", "5"), ("odd.yaml", "3", "1"),
    ]  # fmt: skip
    assert [len(suite.findall("testcase")) for suite in suites] == [1, 5, 3]
    properties = {one.get("name"): one.get("value") for one in suites[0].iter("property")}
    assert properties["rule_set"] == "small-animal-ventilation@2.1.0"
    assert properties["sha256"] == rules().rule_set.sha256
    assert properties["notice"] == NOTICE


def test_a_time_is_that_of_the_wall_and_nothing_where_it_was_not_measured(whole: Report) -> None:
    times = {case.get("name"): case.get("time") for case in parsed(whole).iter("testcase")}
    assert times["a chest stiffens"] == "0.250"
    assert times["too short"] == "0.000"


def test_a_failure_says_what_was_asked_what_came_and_where(some: Report) -> None:
    cases = {case.get("name"): case for case in parsed(some).iter("testcase")}
    early = cases["expected too early"]
    assert (early.get("file"), early.get("line")) == ("wrong.yaml", "2")
    (failure,) = early.findall("failure")
    first = "wrong.yaml:12: volume-falling-silently is raised between 20 and 30 s: raised at 66.0 s"
    assert failure.get("message") == first
    assert str(failure.text).splitlines() == [
        first,
        "wrong.yaml:12: volume-falling-silently is raised at no other time: "
        "volume-falling-silently (medium) was raised at 66.0 s",
    ]
    assert cases["a chest stiffens"].find("failure") is None


def _named(some: Report, words: str) -> Report:
    """One scenario that fails, with these words wherever words from outside may stand."""
    bad = next(one for one in some.rehearsed if not one.passed)
    where = Written(words, 1)
    verdict = Verdict(words, False, words, where)
    scenario = replace(bad.scenario, name=words, where=where)
    return replace(some, rehearsed=[Rehearsed(scenario, (verdict,), bad.ran)])


@given(st.text(st.characters(exclude_categories=()), max_size=40))
def test_whatever_stands_in_a_file_it_is_xml(some: Report, words: str) -> None:
    # Any code point, also controls, halves of surrogate pairs, and what Unicode has not assigned.
    (case,) = parsed(_named(some, words)).iter("testcase")
    assert len(str(case.get("name"))) == len(words)
    junit_text(_named(some, words)).encode("utf-8")


@pytest.mark.parametrize("words", ["\u0000", "\ud800", "\ufffe", "]]>", "<!--", "&#0;", '" x="'])
def test_what_xml_does_not_allow_does_not_break_it(some: Report, words: str) -> None:
    (case,) = parsed(_named(some, f"a {words} b")).iter("testcase")
    allowed = words.isprintable() and not any("\ud800" <= c <= "\udfff" for c in words)
    assert case.get("name") == (f"a {words} b" if allowed else "a ? b")


# -- JSON -------------------------------------------------------------------------------------


def test_json_has_everything_that_a_program_needs(whole: Report) -> None:
    body = json_body(whole)
    assert json.loads(json.dumps(body)) == body
    assert body["notice"] == NOTICE
    assert body["rule_set"] == {
        "name": "small-animal-ventilation",
        "version": "2.1.0",
        "sha256": rules().rule_set.sha256,
    }
    assert (body["scenarios"], body["not_as_expected"], body["took_s"]) == (9, 6, 2.5)
    early = body["results"][1]
    assert (early["scenario"], early["file"], early["line"]) == (
        "expected too early", "wrong.yaml", 2,
    )  # fmt: skip
    assert not early["as_expected"]
    assert early["points"][0] == {
        "asks": "volume-falling-silently is raised between 20 and 30 s",
        "met": False,
        "came": "raised at 66.0 s",
        "rule": "volume-falling-silently",
        "at_s": 30.0,
        "file": "wrong.yaml",
        "line": 12,
    }
    assert body["results"][0]["took_s"] == 0.25
    assert body["clauses"]["of"] == len(list(clauses(rules().rule_set)))
    assert {one["rule"] for one in body["clauses"]["not_whole"]} == {"volume-falling-silently"}
    assert body["changes"]["unnoticed"][1]["accepted_because"] == "no facts make both hold"
    assert (body["changes"]["count"], body["changes"]["of"]) == (1112, 1114)
    assert body["changes"]["limits_and_times"] == {"count": 765, "of": 766, "share": 0.9987}
    assert body["changes"]["accepted_and_yet_noticed"] == [
        {"of": "rate_high", "change": "81 /min for 90 (<b>)", "because": "no <i>rat</i>",
         "file": "accepted.yaml", "line": 7},
    ]  # fmt: skip


def test_what_was_not_looked_at_is_left_out(some: Report) -> None:
    body = json_body(some)
    assert "clauses" not in body
    assert "took_s" not in body
    assert body["changes"]["of"] == 0
