"""The page of a rehearsal: what it says, that nothing breaks out of it, and nothing leaves it."""

from __future__ import annotations

import importlib.util
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from report_bench import HOSTILE, STIFF, SURVIVORS, WRONG, rehearsed, report, rules, whole_report

from adapters.rehearsal.report import Report, write_page
from adapters.rehearsal.report.hindsight import Hindsight
from adapters.rehearsal.report.lanes import lanes_of
from adapters.rehearsal.report.limits_shown import Limits
from adapters.rehearsal.report.page import summary_words
from adapters.rehearsal.report.plots import MOST_PANELS, Picture, picture
from adapters.rehearsal.report.words import happenings
from adapters.rehearsal.run import Rehearsed, Stage
from rules.coverage import clauses
from rules.notice import NOTICE
from rules.rationale import explain, margin_words


class Elements(HTMLParser):
    """The elements of a page in order, each with its attributes; and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self._text: list[str] = []
        self._script = False
        self.feed(page)
        self.text = " ".join(" ".join(self._text).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._script = tag in ("script", "style")

    def handle_endtag(self, tag: str) -> None:
        self._script = False

    def handle_data(self, data: str) -> None:
        if not self._script:
            self._text.append(data)

    def named(self, tag: str, class_: str | None = None) -> list[dict[str, str | None]]:
        return [
            attributes
            for name, attributes in self.elements
            if name == tag and class_ in (None, attributes.get("class"))
        ]


def own(path: Path) -> str:
    """The page without the drawing library's script."""
    text = path.read_text("utf-8")
    return re.sub(r"<script>.*?</script>", "", text, count=1, flags=re.S)


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report that holds everything that one can hold."""
    folder = tmp_path_factory.mktemp("report")
    write_page(whole_report(folder), folder / "rehearsal.html")
    return folder / "rehearsal.html"


@pytest.fixture(scope="module")
def page(path: Path) -> Elements:
    return Elements(own(path))


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Rehearsed]:
    """What came of the scenarios, by their names."""
    folder = tmp_path_factory.mktemp("done")
    found = rehearsed(folder, {"stiff.yaml": STIFF, "wrong.yaml": WRONG})
    return {one.scenario.name: one for one in found}


# -- what it says -----------------------------------------------------------------------------


def test_it_says_what_was_rehearsed_how_it_went_and_what_it_is_not(page: Elements) -> None:
    assert "Rehearsal of small-animal-ventilation@2.1.0" in page.text
    assert rules().rule_set.sha256 in page.text
    assert "3 of 9 scenarios are as expected; 6 are not." in page.text
    assert page.text.count(NOTICE) == 2, "at the top and at the end"


def test_what_is_not_as_expected_goes_first_and_is_open(page: Elements) -> None:
    scenarios = page.named("details", "scenario")
    assert ["open" in one for one in scenarios] == [True] * 6 + [False] * 3
    text = page.text
    assert text.index("Not as expected") < text.index("Why not:") < text.index("All scenarios")
    assert "expected too early : volume-falling-silently is raised between 20 and 30 s" in text


def test_each_point_tells_what_was_asked_what_came_and_where_it_is_written(page: Elements) -> None:
    text = page.text
    assert "is raised between 20 and 30 s ✗ not met raised at 66.0 s wrong.yaml:12" in text
    assert "nothing speaks between 10 and 50 s ✓ met as asked stiff.yaml:2" in text
    # Why it was raised, where that was asked for.
    assert "✓ met raised at 66.0 s For 6 s inspiratory time was" in text


def test_a_scenario_is_told_in_sentences(page: Elements) -> None:
    text = page.text
    assert "Inspiratory time falls, the pressure stays. rabbit, 1.8 kg, maintenance." in text
    assert "(ti.ratio_to_baseline): 1 until 60 s, then 0.7 until 120 s, then 1." in text
    assert "(spo2): 98 % until 30 s, then to 96 % by 40 s." in text
    assert "Throughout: settings.mode controlled, paw.pip_over_target 0 cmH2O" in text
    assert "1 other fact stays as it is." in text
    assert "At 80 s a nurse acknowledges volume-falling-silently." in text
    assert "spo2 is sent: 98 % until 30 s, then unknown until 50 s, then 97 %." in text
    assert "Nothing happens to the simulated animal." in text
    assert "The recording night<b>.jsonl.gz is played from its beginning." in text


def test_what_was_said_is_told_change_by_change(page: Elements) -> None:
    assert "80 s acknowledged by a nurse !! medium volume-falling-silently" in page.text
    assert "66 s raised !! medium volume-falling-silently Less gas with each breath" in page.text


def test_what_cannot_be_run_says_why(page: Elements) -> None:
    assert "it can be run ✗ not met" in page.text
    assert "no such file" in page.text


# -- why, and why not -------------------------------------------------------------------------


def test_why_not_has_each_clause_with_value_limit_margin_and_what_has_to_change(
    page: Elements, done: dict[str, Rehearsed]
) -> None:
    """Held against the clauses as the rules themselves explain them."""
    one = done["expected too early"]
    stage, rule = Stage(rules().rule_set), rules().rule_set.rule("volume-falling-silently")
    assert one.ran is not None
    look = one.ran.look_at(30.0)
    assert look is not None
    moment = stage.judge.moment(look.patient, look.facts, look.now_ms)
    clauses = explain(rule.when, moment.facts.values, moment.limits, moment.facts.unknown)
    section = page.text.split("Why not: volume-falling-silently at 30 s")[1]
    section = section.split("Why: volume-falling-silently at 66 s")[0]
    assert len(clauses) == 5
    for clause in clauses:
        assert clause.text.split(" is ", 1)[1] in section
        assert margin_words(clause) in section
    assert "1.00: not below 0.75 (limit ti_ratio_low) 0.25 short" in section
    assert section.count("this has to change") == 1
    assert "It speaks once its condition has held for 6 s." in section
    assert "At 30 s its condition does not hold." in section
    assert "its condition held from 60 s to 120 s (60 s)" in section


def test_why_tells_what_would_end_an_advisory_that_stands(page: Elements) -> None:
    section = page.text.split("Why: volume-falling-silently at 100 s")[1]
    assert "0.70: not above 0.85 (limit ti_ratio_low plus 0.10) 0.15 short" in section
    assert "for it to be over, this has to change" in section


def test_a_condition_that_held_too_shortly_is_told(done: dict[str, Rehearsed]) -> None:
    hindsight = Hindsight(rules().rule_set)
    reason = hindsight.reason(done["too short"], "volume-falling-silently", 62.0)
    assert reason is not None
    assert (reason.why.state, reason.why.held_s) == ("waits", 2.0)
    assert [(one.begins_s, one.ends_s) for one in reason.held] == [(60.0, 64.0)]
    assert reason.nearest is None


def test_a_condition_that_never_held_is_shown_where_it_was_nearest(
    done: dict[str, Rehearsed],
) -> None:
    hindsight = Hindsight(rules().rule_set)
    reason = hindsight.reason(done["never under the limit"], "volume-falling-silently", 80.0)
    assert reason is not None
    assert reason.nearest is not None
    assert reason.nearest.at_s == 60.0
    assert [round(clause.margin or 0.0, 6) for clause in reason.nearest.why.in_the_way] == [-0.01]


def test_a_rule_that_does_not_apply_says_in_what_it_would(page: Elements) -> None:
    assert "it does not apply. It applies when mode is controlled; here it is standby" in page.text
    assert "It came nearest to speaking at 60 s:" in page.text
    assert "(4 s): never for the 6 s that it asks for." in page.text


def test_small_changes_that_nobody_notices_are_listed_with_their_reasons(page: Elements) -> None:
    text = page.text.split("Small changes that nobody would notice")[1]
    assert "Of 1,114 such changes some scenario notices 1,112." in text
    assert "airway-blocked an outranking" in text
    assert "no facts make both hold" in text


def test_what_was_accepted_and_is_noticed_after_all_is_told(page: Elements, tmp_path: Path) -> None:
    words = "Accepted as unnoticed, and yet noticed or no change any more: take them out"
    row = "rate_high 81 /min for 90 (<b>) no <i>rat</i> accepted.yaml:7"
    assert f"{words} rule or limit change reason given written in {row}" in page.text
    without = replace(report(tmp_path, {"stiff.yaml": STIFF}), survivors=SURVIVORS)
    write_page(without, tmp_path / "page.html")
    assert words not in own(tmp_path / "page.html")


# -- pictures ---------------------------------------------------------------------------------


def drawn(one: Rehearsed) -> Picture:
    found = picture(one, Limits(rules().rule_set))
    assert found is not None
    return found


def test_each_picture_has_words_and_its_numbers_in_a_table(path: Path, page: Elements) -> None:
    plots = page.named("div", "plot")
    assert len(plots) == 8, "one scenario could not be run"
    for plot in plots:
        assert plot["role"] == "img"
        assert str(plot["aria-label"]).startswith("Timeline of ")
    # A scenario in which no fact is known has no numbers.
    assert len(page.named("details", "numbers")) >= 7
    assert "volume-falling-silently speaks below 0.75, limit ti_ratio_low" in page.text
    (label,) = (str(p["aria-label"]) for p in plots if "a chest stiffens" in str(p["aria-label"]))
    assert "expected raised between 60 and 70 s, cleared between 125 and 135 s" in label
    assert "raised at 66 s, acknowledged at 80 s, cleared at 130 s" in label
    assert "inspiratory time, median of three, over its baseline 0.70 to 1.00" in label


def test_a_picture_shows_what_changes_with_its_limits(done: dict[str, Rehearsed]) -> None:
    body = drawn(done["a chest stiffens"]).body()
    (panel,) = body["panels"]
    assert panel["fact"] == "ti.ratio_to_baseline"
    assert (panel["x"], panel["y"]) == ([0.0, 60.0, 120.0, 180.0], [1.0, 0.7, 1.0, 1.0])
    assert [(one["words"], one["runs"]) for one in panel["limits"]] == [
        ("speaks below 0.75", [[0.0, 180.0, 0.75]]),
        ("is over above 0.85", [[0.0, 180.0, 0.85]]),
    ]
    low, high = panel["reach"]
    assert low < 0.7
    assert high > 1.0
    (lane,) = body["lanes"]
    # With the tolerance of 1 s on each side.
    assert lane["due"][0] == [59.0, 71.0, "raised", "raised between 60 and 70 s"]
    assert [mark[:2] for mark in lane["marks"]] == [
        [66.0, "raised"], [80.0, "acknowledged"], [130.0, "cleared"],
    ]  # fmt: skip
    assert lane["bars"] == [[66.0, 80.0, "medium", False], [80.0, 130.0, "medium", False]]
    assert body["quiet"] == [[10.0, 50.0, "nothing may speak"]]


def test_noise_is_not_drawn_as_if_it_were_much(tmp_path: Path) -> None:
    text = STIFF.replace("1 for 60 s, 0.7 for 60 s, 1", "1 for 60 s, 0.999 for 60 s, 1")
    (one,) = rehearsed(tmp_path, {"calm.yaml": text})
    (panel,) = drawn(one).panels
    low, high = panel.reach
    assert high - low >= 0.1


def test_what_passes_a_limit_goes_first_and_there_are_not_too_many(tmp_path: Path) -> None:
    moving = "1 for 20 s, 0.98 for 20 s, 1"
    facts = "\n".join(
        f"      {name}: {values}"
        for name, values in {
            "lung.compliance_over_expected": moving, "volume.ratio_to_baseline": moving,
            "change.confidence": moving, "breath.quality": moving, "paw.coverage_10s": moving,
            "slope.ratio_to_baseline": moving, "co2.quality": moving,
            "ti.ratio_to_baseline": "1 for 60 s, 0.7 for 60 s, 1",
        }.items()
    )  # fmt: skip
    ids = ", ".join(rule.id for rule in rules().rule_set.rules)
    text = (
        "scenarios:\n  - scenario: many\n    patient: {species: cat, mass: 3 kg}\n"
        f"    lasts: 3 min\n    facts:\n{facts}\n    never: [{ids}]\n"
    )
    (one,) = rehearsed(tmp_path, {"many.yaml": text})
    panels = drawn(one).panels
    assert len(panels) == MOST_PANELS
    assert panels[0].fact == "ti.ratio_to_baseline"
    assert all(len(panel.lines) <= 4 for panel in panels)


def test_breaths_are_shown_where_readings_are(tmp_path: Path) -> None:
    text = (
        "scenarios:\n  - scenario: quiet\n    patient: {species: kestrel, mass: 0.2 kg}\n"
        "    lasts: 1 min\n    happens: nothing\n    others: silent\n"
    )
    (one,) = rehearsed(tmp_path, {"quiet.yaml": text})
    assert [panel.fact for panel in drawn(one).panels] == ["paw.pip", "etco2", "spo2"]
    assert lanes_of(one) == []


def test_what_is_not_known_is_a_gap(tmp_path: Path) -> None:
    text = (
        "scenarios:\n  - scenario: gap\n    patient: {species: cat, mass: 3 kg}\n    lasts: 2 min\n"
        '    readings: {spo2: "98 for 30 s, unknown for 40 s, 97"}\n    never: spo2-low\n'
    )
    (one,) = rehearsed(tmp_path, {"gap.yaml": text})
    (panel,) = [panel for panel in drawn(one).panels if panel.fact == "spo2"]
    (gap,) = [number for number, (_, value) in enumerate(panel.points) if value is None][-1:]
    (ends_s, last), (begins_s, _) = panel.points[gap - 1 : gap + 1]
    assert (last, ends_s) == (98.0, begins_s), "the line goes on until it is not known"
    assert panel.points[gap + 1][1] == 97.0


# -- how much is tested -----------------------------------------------------------------------


def test_clauses_that_were_not_seen_in_every_way_are_listed(page: Elements) -> None:
    section = page.text.split("What was put to the test")[1]
    of = len(list(clauses(rules().rule_set)))
    assert f"{of - 4} of {of} clauses were." in section
    assert re.search(r"above -1\.5 cmH2O volume-falling-silently when \d+ never \d+", section)
    assert re.search(r"inflation is unknown volume-falling-silently when \d+ \d+ never", section)
    assert "airway-blocked when" not in section, "of the others everything was seen"
    assert re.search(r"ti_ratio_low every patient 0\.75 \d+", section)
    assert re.search(r"rate_high [\w, ]+ 90/min never", section)


def test_small_changes_that_nobody_notices_are_listed_with_their_reason(page: Elements) -> None:
    section = page.text.split("Small changes that nobody would notice")[1]
    assert "Of 1,114 such changes some scenario notices 1,112." in section
    assert "rate_high a limit or number moved 99 /min for 90 (rabbit <b>) none is given" in section
    assert "does not outrank co2-stopped no facts make both hold" in section


def test_what_was_not_looked_at_is_left_out(tmp_path: Path) -> None:
    write_page(report(tmp_path, {"stiff.yaml": STIFF}), tmp_path / "page.html")
    text = Elements(own(tmp_path / "page.html")).text
    assert "It is as expected." in text
    assert "Not as expected" not in text
    assert "put to the test" not in text
    assert "Small changes" not in text


@pytest.mark.parametrize(
    ("count", "failed", "words"),
    [
        (0, 0, "No scenario was run."),
        (2, 0, "All 2 scenarios are as expected."),
        (2, 1, "1 of 2 scenarios are as expected; 1 is not."),
        (4, 2, "2 of 4 scenarios are as expected; 2 are not."),
        (2, 2, "None of 2 scenarios is as expected."),
    ],
)
def test_the_summary_is_one_sentence(
    count: int, failed: int, words: str, done: dict[str, Rehearsed]
) -> None:
    good, bad = done["a chest stiffens"], done["too short"]
    scenarios = [bad] * failed + [good] * (count - failed)
    assert summary_words(Report(rules().rule_set, scenarios)) == words


# -- nothing breaks out, nothing leaves -------------------------------------------------------


def test_words_from_files_cannot_become_markup(path: Path, page: Elements) -> None:
    text = own(path)
    assert HOSTILE not in text
    assert "alert(1)" in page.text, "it stands there as text"
    assert not page.named("img")
    assert not page.named("b", "hostile")
    assert len(page.named("script")) == 2, "the pictures' data and our script"
    assert "${style} $plotly" in page.text
    assert "<b>.jsonl" not in text
    assert "(rabbit <b>)" not in text


def test_data_of_pictures_cannot_end_their_script(path: Path) -> None:
    text = path.read_text("utf-8")
    data = re.search(r'<script type="application/json" id="pictures">(.*?)</script>', text, re.S)
    assert data is not None
    assert "<" not in data[1]
    pictures: dict[str, Any] = json.loads(data[1])
    assert len(pictures) == 8


def test_the_page_asks_nothing_of_the_network(path: Path, page: Elements) -> None:
    # CSP: `default-src 'none'` forbids whatever the library might try (W3C, CSP level 3).
    policy = next(one["content"] for one in page.named("meta") if "http-equiv" in one)
    assert str(policy).startswith("default-src 'none'")
    assert "connect-src" not in str(policy)
    assert not page.named("link")
    sources = [
        attributes[name]
        for _, attributes in page.elements
        for name in ("src", "href", "action", "srcset")
        if attributes.get(name)
    ]
    assert all(str(one).startswith("#") for one in sources)
    style = re.search(r"<style>(.*?)</style>", path.read_text("utf-8"), re.S)
    assert style is not None
    assert "url(" not in style[1]
    assert "@import" not in style[1]


def test_every_link_and_label_leads_to_something(page: Elements) -> None:
    ids = [one["id"] for _, one in page.elements if one.get("id")]
    assert len(ids) == len(set(ids))
    led_to = [str(one["href"])[1:] for one in page.named("a")]
    led_to += [str(one["aria-labelledby"]) for one in page.named("section") if len(one) > 1]
    assert set(led_to) <= set(ids)


def test_without_the_drawing_library_the_words_are_there_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    find = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name: None if name == "plotly" else find(name)
    )
    written = replace(report(tmp_path, {"stiff.yaml": STIFF}), survivors=SURVIVORS)
    write_page(written, tmp_path / "page.html")
    assert (tmp_path / "page.html").stat().st_size < 100_000
    text = Elements((tmp_path / "page.html").read_text("utf-8")).text
    assert "pip install 'tidewarden[plots]'" in text
    assert "ti.ratio_to_baseline" in text


def test_a_moment_is_not_told_of_facts_that_no_rule_of_the_scenario_names(
    done: dict[str, Rehearsed],
) -> None:
    told = list(happenings(done["a chest stiffens"].scenario, frozenset()))
    assert not any(line.startswith("Throughout") for line in told)
    assert "5 other facts stay as they are." in told
