"""The past of a place in Chromium: in words and curves, and never older than it says."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from browser import fits_its_width, violations
from end_to_end.ward_bench import PagesProcess
from past_bench import PLACE, START_MS, make_store, past_pages

from service.instants import to_text

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

#: Before the next animal came.
TO = to_text(START_MS + 109_000)
TRENDS = f"place/{PLACE}/trends?to={TO}"
PAST = f"place/{PLACE}/past?to={TO}"
WHY = f"place/{PLACE}/why?at={to_text(START_MS + 55_000)}"
#: Plotly brings a style for maps, which are not drawn here: that it is kept out does no harm.
_KEPT_OUT = "Applying inline style violates"
CASES, CASE = "cases", f"case/{PLACE}?from={to_text(START_MS + 60_000)}"


@dataclass
class Window:
    """A window of a browser, and what went wrong in it."""

    page: Page
    wrong: list[str] = field(default_factory=list)


Open = Callable[..., Window]


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PagesProcess]:
    folder = tmp_path_factory.mktemp("past")
    made = past_pages(folder, make_store(folder / "store").parent)
    yield made
    made.stop()


@pytest.fixture
def open_at(pages: PagesProcess, chromium: Browser) -> Iterator[Open]:
    """Opens an address of these pages, in the time zone of a ward in Norway."""
    contexts = []

    def opened(path: str, scheme: str = "light", width: int = 1280) -> Window:
        context = chromium.new_context(
            viewport={"width": width, "height": 900}, color_scheme=scheme,
            timezone_id="Europe/Oslo",
        )  # fmt: skip
        contexts.append(context)
        window = Window(context.new_page())
        window.page.on("console", lambda said: window.wrong.append(said.text))
        window.page.on("pageerror", lambda error: window.wrong.append(str(error)))
        window.page.goto(pages.address + path)
        return window

    yield opened
    for context in contexts:
        context.close()


def _wait(page: Page, path: str) -> None:
    ready = {TRENDS: "#curves figure .main-svg", PAST: "article", WHY: "#answer h3"}
    page.wait_for_selector(ready.get(path, "main"), timeout=60_000, state="attached")


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", [TRENDS, PAST, WHY, CASES, CASE])
def test_everybody_can_read_it(open_at: Open, path: str, scheme: str) -> None:
    window = open_at(path, scheme)
    page = window.page
    _wait(page, path)
    for width in (1280, 800):
        page.set_viewport_size({"width": width, "height": 900})
        assert violations(page) == []
        assert fits_its_width(page), f"at {width} px it has to be moved sideways"
    assert [one for one in window.wrong if _KEPT_OUT not in one] == []


def test_trends_are_told_in_words_with_limits_gaps_and_who_it_is(open_at: Open) -> None:
    page = open_at(TRENDS).page
    _wait(page, TRENDS)
    assert "Marram, rabbit, 1.8 kg, on the way" in page.inner_text("h1")
    said = page.inner_text("#summary").replace("\u00a0", " ")
    [etco2] = [line for line in said.splitlines() if line.startswith("EtCO2")]
    assert "mmHg at 14:0" in etco2, "not by the clock of the ward"
    assert "high 55 mmHg" in etco2
    assert "SpO2 (" in page.inner_text("#gaps")
    assert "GMT+1" in page.inner_text("#kept")
    assert page.inner_text("#now") == "Last"
    # Each plot says in words what it shows.
    plots = page.locator("#curves [role=img]")
    assert plots.count() == 9
    for at in range(plots.count()):
        assert "lowest" in (plots.nth(at).get_attribute("aria-label") or "")
    lanes = page.get_attribute("#lanes", "aria-label") or ""
    assert "High. Pressure jumps at the start of each breath" in lanes
    assert "Wren has seen it" in page.inner_text("#advised")


def test_co2_can_be_read_in_kpa(open_at: Open) -> None:
    page = open_at(TRENDS).page
    _wait(page, TRENDS)
    page.locator("input[value=kPa]").check()
    said = page.inner_text("#summary").replace("\u00a0", " ")
    [etco2] = [line for line in said.splitlines() if line.startswith("EtCO2")]
    assert "mmHg" not in etco2
    assert "high 7.3 kPa" in etco2
    assert "EtCO2, kPa" in page.locator("figcaption").first.inner_text()


def test_a_gap_is_a_gap_in_the_curve_and_the_dip_before_it_is_drawn(open_at: Open) -> None:
    page = open_at(TRENDS).page
    _wait(page, TRENDS)
    shown = page.evaluate(
        "[...document.querySelectorAll('#curves .plot')].map((plot) => plot.data[0].y)"
    )
    spo2 = shown[2]
    assert None in spo2[1:-1]
    limits = page.evaluate(
        "document.querySelector('#curves .plot').layout.annotations.map((one) => one.text)"
    )
    assert "high 55" in limits


def test_what_is_new_is_added_and_nothing_is_asked_twice(open_at: Open) -> None:
    page = open_at("").page
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.clock.install()
    page.goto(page.url + f"place/{PLACE}/trends")
    page.wait_for_selector("#curves figure", timeout=60_000)
    page.clock.run_for(10_500)
    page.wait_for_timeout(500)
    first, second = [url for url in asked if "trends.json" in url][:2]
    assert "after=" not in first
    assert "after=" in second
    # The store has not grown for long: nobody may take its values for those of now.
    assert "nobody may be watching" in page.inner_text("#kept")
    assert page.inner_text("#now") == "Last"


def test_values_that_cannot_be_read_any_more_are_called_old(open_at: Open) -> None:
    page = open_at("").page
    page.clock.install()
    page.goto(page.url + f"place/{PLACE}/trends")
    page.wait_for_selector("#curves figure", timeout=60_000)
    page.route("**/trends.json*", lambda route: route.abort())
    page.clock.run_for(10_500)
    page.wait_for_selector("#kept:text('is old since')")


def test_a_new_value_joins_its_curve(open_at: Open, pages: PagesProcess) -> None:
    page = open_at("").page
    page.clock.install()
    page.goto(page.url + f"place/{PLACE}/trends")
    page.wait_for_selector("#curves figure", timeout=60_000)
    before = page.evaluate("document.querySelector('#curves .plot').data[0].x.length")

    body = page.request.get(pages.address + f"place/{PLACE}/trends.json?after={START_MS}").json()
    body["to_ms"] += 5_000
    body["curves"][0]["points"].append([body["to_ms"], 77.0])
    page.route("**/trends.json*", lambda route: route.fulfill(json=body))
    page.clock.run_for(10_500)
    page.wait_for_selector("#summary td:text('77')")
    after = page.evaluate("document.querySelector('#curves .plot').data[0].x.length")
    assert after == before + 1


def test_what_came_and_went_says_who_when_and_why(open_at: Open) -> None:
    page = open_at(PAST).page
    one = page.locator("article[data-need=high]", has_text="Pressure jumps").first
    said = one.inner_text()
    for words in ("High.", "Marram", "acknowledged by Wren", "Look at:", "Why:"):
        assert words in said
    assert "Nov 25, 14:00:47 GMT+1 raised" in said
    one.locator("summary").focus()
    page.keyboard.press("Enter")
    assert "limit step_rise" in one.inner_text()
    assert "Source:" in one.inner_text()
    assert one.locator("path").get_attribute("d"), "no mark"


@pytest.mark.slow
def test_why_says_that_it_works_and_then_what_would_have_to_change(open_at: Open) -> None:
    page = open_at(WHY).page
    assert "Working" in page.inner_text("#state")
    _wait(page, WHY)
    said = page.inner_text("#answer")
    assert "The airway has become narrower" in said
    assert "For it to be over this would have to change" in said
    near = page.locator("[data-calm]").first.inner_text()
    assert "Would be" in near, "what does not speak looks as if it did"
    page.locator("input[name=rule]").fill("etco2-hihg")
    page.keyboard.press("Enter")
    page.wait_for_selector("#answer .problem", timeout=60_000)
    assert "etco2-high" in page.inner_text("#answer")


def test_two_questions_are_answered_one_after_the_other(open_at: Open) -> None:
    one, other = open_at(WHY).page, open_at(WHY + "&rule=etco2-high").page
    other.wait_for_selector("#answer h2", timeout=40_000)
    one.wait_for_selector("#answer h3", timeout=40_000)


@pytest.mark.parametrize(
    ("path", "status", "words"),
    [
        (f"place/{PLACE}/past?hours=7", 400, "hours: '7' is not one of 1, 4, 12"),
        (f"place/{PLACE}/trends?to=noon", 400, "to: 'noon'"),
        ("place/recovery/bay-9/past", 404, "no place 'recovery/bay-9'"),
    ],
)
def test_what_cannot_be_answered_is_a_page(
    open_at: Open, pages: PagesProcess, path: str, status: int, words: str
) -> None:
    page = open_at("").page
    response = page.goto(pages.address + path)
    assert response is not None
    assert response.status == status
    assert words in page.inner_text("[role=alert]")


def test_without_a_store_or_plotly_that_is_said(chromium: Browser, tmp_path: Path) -> None:
    hidden = tmp_path / "hidden"
    hidden.mkdir()
    (hidden / "sitecustomize.py").write_text("import sys; sys.modules['plotly'] = None\n", "utf-8")
    bare = past_pages(tmp_path, tmp_path / "store", hidden)
    page = chromium.new_page()
    try:
        for kind in ("trends", "past", "why"):
            page.goto(bare.address + f"place/{PLACE}/{kind}")
            assert "There is no store yet" in page.inner_text("[role=alert]")
        make_store(tmp_path / "store", hold=40)
        page.goto(bare.address + f"place/{PLACE}/trends")
        page.wait_for_selector("#summary tr")
        assert "Plotly is not installed" in page.inner_text("main")
        assert "EtCO2" in page.inner_text("#summary")
        assert page.locator("#curves figure").count() == 0
        assert page.goto(bare.address + "plotly.min.js").status == 404
    finally:
        page.close()
        bare.stop()


def test_on_paper_it_is_black_on_white_and_as_wide_as_paper(open_at: Open) -> None:
    page = open_at(TRENDS, "dark").page
    _wait(page, TRENDS)
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    assert page.evaluate("document.querySelector('.main-svg').clientWidth") <= 700
    ink = "document.querySelector('#curves .plot').layout.font.color"
    assert page.evaluate(ink) == "#1d2126"
    paper = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert paper == "rgb(255, 255, 255)"
    page.emulate_media(media="screen")
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert page.evaluate(ink) != "#1d2126"


def test_from_the_list_of_cases_to_the_story_of_one(open_at: Open) -> None:
    page = open_at(CASES).page
    assert page.locator("tbody tr").count() == 3
    page.get_by_role("link", name="Marram").click()
    story = page.locator(".story li").all_inner_texts()
    assert "under anaesthesia" in story[0]
    assert any("Wren" in one and "acknowledged" in one for one in story)
    # A time on the page is told in the zone of who reads it.
    page.locator(".story time").first.get_by_text("GMT+1").wait_for(timeout=5000)


def test_the_report_of_a_case_is_kept_as_one_file(open_at: Open, tmp_path: Path) -> None:
    page = open_at(CASE).page
    # It is worked out behind everything else: on a busy machine that takes its time.
    with page.expect_download(timeout=110_000) as downloading:
        page.get_by_role("link", name="Report as one file").click(no_wait_after=True)
    kept = downloading.value
    assert kept.suggested_filename.startswith("case-recovery-bay-2-20")
    assert kept.suggested_filename.endswith("Z.html")
    kept.save_as(tmp_path / "case.html")
    told = (tmp_path / "case.html").read_text("utf-8")
    assert "The case of Marram" in told
    assert "<svg" in told
    # What cannot be told is said on a page, not kept as a file.
    page.goto(page.url.split("?")[0] + "/report?from=yesterday")
    assert "RFC 3339" in page.inner_text("[role=alert]")


def test_the_limits_of_who_lies_there_are_one_step_away(open_at: Open) -> None:
    page = open_at(f"place/{PLACE}/past").page
    page.get_by_role("link", name="Limits", exact=True).click()
    page.wait_for_url("**/rules/small-animal-ventilation/*/limits?*")
    assert page.input_value("[name=species]") == "guinea pig"
    assert page.input_value("[name=mass]") == "0.9 kg"
    assert page.input_value("[name=phase]") == "induction"
    assert "spo2_low" in page.inner_text("main")
    page.goto(page.url.split("/rules/")[0] + "/place/recovery/bay-9/limits")
    assert "no place 'recovery/bay-9'" in page.inner_text("[role=alert]")


def test_an_address_that_leads_nowhere_leads_back(open_at: Open) -> None:
    page = open_at("no/such/page").page
    assert "/no/such/page" in page.inner_text("main")
    page.get_by_role("link", name="To the ward").click()
    page.wait_for_selector("#needs-title, h1")
    assert violations(page) == []


def _children(number: int) -> list[int]:
    return [int(one) for one in Path(f"/proc/{number}/task/{number}/children").read_text().split()]


def _answering(pages: PagesProcess) -> list[int]:
    """The processes in which answers are worked out: forked from a server that the pages keep."""
    assert pages.process is not None
    return [one for server in _children(pages.process.pid) for one in _children(server)]


def test_an_answer_that_nobody_waits_for_is_not_worked_out(
    open_at: Open, pages: PagesProcess
) -> None:
    page = open_at("cases").page
    page.goto(pages.address + WHY)
    until = time.monotonic() + 10.0
    while not _answering(pages):
        assert time.monotonic() < until, "nothing is worked out"
        time.sleep(0.01)
    page.close()
    # It is looked after every half second whether somebody still waits.
    until = time.monotonic() + 2.0
    while _answering(pages):
        assert time.monotonic() < until, "it is worked out for nobody"
        time.sleep(0.02)
    # And the next question is answered.
    again = open_at(WHY).page
    _wait(again, WHY)
