"""The pages on rules and reports in Chromium: for everybody to read, and by keys alone."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from browser import fits_its_width, violations
from end_to_end.service_process import run_command
from end_to_end.ward_bench import PagesProcess
from rules_bench import ACTIVE, FIRST, SEEN, TRIED, WOLF, lived_store

from adapters.rule_files import DEFAULT_RULES
from adapters.tcp import free_port

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

LIBRARY = f"rules/{DEFAULT_RULES.replace('@', '/')}"
HOUSE = f"rules/{ACTIVE.replace('@', '/')}"
SCENARIOS = Path(__file__).parents[3] / "rules" / "library" / LIBRARY.removeprefix("rules/")
PATHS = {
    "what decides": "rules?over=store",
    "a rule set": LIBRARY,
    "rules that were looked for": f"{LIBRARY}?find=spo2",
    "what to approve": f"{LIBRARY}?only=approve",
    "a rule": f"{LIBRARY}/rule/airway-narrowing",
    "a rule that spoke": f"{HOUSE}/rule/{WOLF}",
    "limits": f"{LIBRARY}/limits?species=hedgehog&mass=410+g",
    "limits asked wrongly": f"{LIBRARY}/limits?species=hedghog&mass=410",
    "two versions": f"rules/compare?from={FIRST}&to={TRIED}",
    "reports": "reports",
    "not there": "rules/none/1.0.0",
}


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PagesProcess]:
    folder = tmp_path_factory.mktemp("pages")
    lived_store(folder)
    reports = folder / "reports"
    reports.mkdir()
    made = run_command(
        "rehearse", SCENARIOS / "scenarios" / "airway.yaml", "--rules", DEFAULT_RULES,
        "--html", reports / "rehearsal.html",
    )  # fmt: skip
    assert made.returncode == 0, made.stderr
    settings = f'reports = "{reports}"\n'
    process = PagesProcess(folder, free_port("127.0.0.1"), settings, folder)
    process.start()
    yield process
    process.stop()


class _Watched:
    """A page, with what it asked for and what its console said."""

    def __init__(self, page: Page, address: str) -> None:
        self.page = page
        self.wrong: list[str] = []
        self.elsewhere: list[str] = []
        page.on("console", lambda said: self.wrong.append(said.text))
        page.on("pageerror", lambda error: self.wrong.append(str(error)))
        page.on("request", lambda request: self._asked(request.url, address))

    def _asked(self, url: str, address: str) -> None:
        if not url.startswith((address, "data:", "blob:")):
            self.elsewhere.append(url)


@pytest.fixture
def watched(pages: PagesProcess, chromium: Browser) -> Iterator[_Watched]:
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    found = _Watched(context.new_page(), pages.address)
    yield found
    context.close()
    # That an answer is 400 or 404 is what some tests are about.
    assert [one for one in found.wrong if "the server responded with" not in one] == []
    assert found.elsewhere == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", PATHS.values(), ids=PATHS.keys())
def test_everybody_can_read_it(
    watched: _Watched, pages: PagesProcess, path: str, scheme: str
) -> None:
    page = watched.page
    page.emulate_media(color_scheme=scheme)
    page.goto(pages.address + path)
    for width in (1280, 800):
        page.set_viewport_size({"width": width, "height": 900})
        assert violations(page) == []
        assert fits_its_width(page), f"at {width} px it has to be moved sideways"


def test_the_way_to_the_rules_is_on_every_page_and_goes_by_keys(
    watched: _Watched, pages: PagesProcess
) -> None:
    page = watched.page
    page.goto(pages.address + "reports")
    links = page.locator("header nav a")
    assert links.all_inner_texts() == ["Ward", "Cases", "Rules", "Reports"]
    assert page.locator("header nav [aria-current=page]").inner_text() == "Reports"
    for _ in range(3):
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_url("**/rules")
    assert page.locator("header nav [aria-current=page]").inner_text() == "Rules"
    page.get_by_role("link", name="Saturation is dangerously low").first.press("Enter")
    page.wait_for_url(f"**/rule/{WOLF}")
    assert "Nobody acknowledged it" in page.inner_text("main")
    page.goto(pages.address)
    assert page.locator("header nav [aria-current=page]").inner_text() == "Ward"


def test_limits_are_asked_for_by_keys_and_a_slip_is_told_beside_its_field(
    watched: _Watched, pages: PagesProcess
) -> None:
    page = watched.page
    page.goto(f"{pages.address}{LIBRARY}/limits")
    page.get_by_label("Species").press_sequentially("hedgehog")
    page.get_by_label("Body mass").press_sequentially("410")
    page.keyboard.press("Enter")
    page.wait_for_url("**mass=410&**")
    field = page.get_by_label("Body mass")
    assert field.get_attribute("aria-invalid") == "true"
    told = page.locator(f"#{field.get_attribute('aria-describedby')}").inner_text()
    assert told == "Body mass: 410 of what? Write 410 g or 410 kg."
    assert page.get_by_label("Species").get_attribute("aria-invalid") is None
    assert page.get_by_label("Species").input_value() == "hedgehog"
    field.press("End")
    field.press_sequentially(" g")
    page.keyboard.press("Enter")
    page.wait_for_selector("table")
    assert "hedgehog, mammal, 410 g" in page.inner_text("main h2")


def test_two_versions_are_compared_from_the_form(watched: _Watched, pages: PagesProcess) -> None:
    page = watched.page
    page.goto(f"{pages.address}rules/compare")
    page.get_by_label("From").select_option(ACTIVE)
    page.get_by_label("To", exact=True).select_option(TRIED)
    page.get_by_role("button", name="Compare").click()
    page.wait_for_url("**from=**")
    assert page.inner_text("main del") == "55"
    assert page.inner_text("main ins") == "50 mmHg"


def test_without_scripts_nothing_is_missing(pages: PagesProcess, chromium: Browser) -> None:
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{pages.address}rules")
    assert page.locator("script").count() == 0
    assert "Activated by Duty Vet" in page.inner_text("main")
    page.goto(f"{pages.address}{HOUSE}/rule/{SEEN[1]}")
    assert "Duty Vet has seen it" in page.inner_text("main")
    context.close()


def test_on_paper_there_is_no_way_to_click(watched: _Watched, pages: PagesProcess) -> None:
    page = watched.page
    page.goto(f"{pages.address}{LIBRARY}/limits?species=cat&mass=3+kg")
    page.emulate_media(media="print")
    assert not page.locator("header nav").is_visible()
    assert not page.locator("form").is_visible()
    assert page.locator("table").is_visible()


# -- a report -------------------------------------------------------------------------------------


def test_a_real_report_works_in_its_sandbox(watched: _Watched, pages: PagesProcess) -> None:
    page = watched.page
    page.goto(f"{pages.address}reports")
    page.get_by_role("link", name="rehearsal").click()
    page.wait_for_url("**/reports/rehearsal.html")
    assert "Rehearsal of" in page.inner_text("h1")
    # Its scripts run: the picture of a scenario is drawn when that is opened.
    page.locator("details.scenario summary").first.click()
    page.wait_for_selector("details.scenario[open] .plot svg", timeout=15_000)


def test_a_report_can_reach_nothing(pages: PagesProcess, chromium: Browser) -> None:
    context = chromium.new_context()
    page = context.new_page()
    page.goto(f"{pages.address}reports/rehearsal.html")
    assert page.evaluate("self.origin") == "null"
    for address in (f"{pages.address}rules", "https://example.org/"):
        reach = "(where) => fetch(where).then(() => 'reached', () => 'refused')"
        assert page.evaluate(reach, address) == "refused"
    kept = "() => { try { localStorage.setItem('a', 'b'); return 'kept'; } catch { return 'no'; } }"
    assert page.evaluate(kept) == "no"
    context.close()
