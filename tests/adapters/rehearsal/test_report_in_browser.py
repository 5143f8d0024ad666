"""The report in a real browser: readable for everybody, drawn when opened, silent otherwise."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from browser import OpenPage, Scheme, fits_its_width
from report_bench import whole_report

from adapters.rehearsal.report import write_page

if TYPE_CHECKING:
    from playwright.sync_api import Browser

_OPEN_ALL = "for (const one of document.querySelectorAll('details')) one.open = true"


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report that holds everything that one can hold."""
    folder = tmp_path_factory.mktemp("report")
    path = folder / "rehearsal.html"
    write_page(whole_report(folder), path)
    return path


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 800)])
def test_everybody_can_read_it(
    page: Path,
    scheme: Scheme,
    width: int,
    open_page: OpenPage,
) -> None:
    """By axe-core, which tests what of WCAG 2 a machine can test; with every detail open."""
    opened = open_page(page, scheme, width)
    assert opened.violations() == []
    opened.page.evaluate(_OPEN_ALL)
    for plot in opened.page.locator(".plot").all():
        plot.scroll_into_view_if_needed()
        plot.locator("svg").first.wait_for()
    assert opened.violations() == []
    assert fits_its_width(opened.page), "it has to be moved sideways"
    assert (opened.wrong, opened.asked) == ([], [])


def test_a_scenario_is_opened_by_keys_and_drawn_only_then(page: Path, open_page: OpenPage) -> None:
    opened = open_page(page)
    scenario = opened.page.locator("details.scenario", has_text="a chest stiffens").first
    plot = scenario.locator(".plot")
    assert plot.get_attribute("data-drawn") is None
    scenario.locator(":scope > summary").focus()
    opened.page.keyboard.press("Enter")
    assert scenario.evaluate("one => one.open")
    plot.scroll_into_view_if_needed()
    plot.locator("svg").first.wait_for()
    drawn = plot.inner_text()
    assert "raised 66 s" in drawn
    assert "acknowledged 80 s" in drawn
    assert "expected cleared between 125 and 135 s" in drawn
    assert "speaks below 0.75" in drawn
    opened.page.keyboard.press("Enter")
    assert not scenario.evaluate("one => one.open")
    assert (opened.wrong, opened.asked) == ([], [])


def test_what_is_not_as_expected_is_drawn_at_once(page: Path, open_page: OpenPage) -> None:
    opened = open_page(page)
    first = opened.page.locator("#failures .plot").first
    first.scroll_into_view_if_needed()
    first.locator("svg").first.wait_for()
    assert opened.page.locator("#failures details.scenario:not([open])").count() == 0


def test_colours_follow_the_scheme_and_paper_is_white(page: Path, open_page: OpenPage) -> None:
    opened = open_page(page, "dark")
    first = opened.page.locator("#failures .plot").first
    first.scroll_into_view_if_needed()
    first.locator("svg").first.wait_for()
    paper = "one => one.layout.paper_bgcolor"
    dark = first.evaluate(paper)
    opened.page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert first.evaluate(paper) == "#ffffff" != dark
    assert first.evaluate("one => one.layout.width") < 700
    opened.page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert first.evaluate(paper) == dark
    opened.page.emulate_media(color_scheme="light")
    assert first.evaluate(paper) == "#ffffff"


def test_scenarios_are_found_by_words(page: Path, open_page: OpenPage) -> None:
    opened = open_page(page)
    opened.page.get_by_label("Find").fill("  QUIET minute ")
    assert opened.page.get_by_role("status").inner_text() == "1 of 9 scenarios"
    shown = opened.page.locator("#all details.scenario:visible")
    assert shown.count() == 1
    opened.page.get_by_role("button", name="Open what is listed").click()
    assert shown.first.evaluate("one => one.open")
    opened.page.get_by_role("button", name="Close all").click()
    assert not shown.first.evaluate("one => one.open")
    opened.page.get_by_label("Find").fill("")
    assert opened.page.locator("#all .scenario:visible, #all .above:visible").count() == 9


def test_without_its_script_all_text_is_there(page: Path, chromium: Browser) -> None:
    context = chromium.new_context(java_script_enabled=False)
    sheet = context.new_page()
    sheet.goto(page.as_uri())
    assert "3 of 9 scenarios are as expected; 6 are not." in sheet.inner_text("header")
    assert "Why not: volume-falling-silently at 30 s" in sheet.inner_text("#failures")
    assert not sheet.is_visible(".tools")
    assert not sheet.is_visible(".plot")
    sheet.click("#all details.scenario > summary >> nth=0")
    assert sheet.is_visible("text=Inspiratory time falls, the pressure stays.")
    context.close()
