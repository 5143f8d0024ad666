"""Every word of the pages can be translated, and longer words have room."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from browser import fits_its_width, violations
from end_to_end.mosquitto import Mosquitto
from end_to_end.ward_bench import PagesProcess, ToldWard, advisory
from past_bench import PLACE, START_MS, make_store

from adapters.cases.reports import read_report
from adapters.sqlite.reading import open_for_reading
from adapters.texts import texts
from rules.notice import NOTICE
from service.instants import from_text, to_text

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

TO = to_text(START_MS + 109_000)
#: Half as long again, and marked: what is not marked was not translated.
_PLACEHOLDER = re.compile(r"\{\w+\}")
#: Elements of which one is marked are sentences, with what was measured in between.
_UNMARKED = """() => {
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const text = walker.currentNode.textContent.trim();
    const element = walker.currentNode.parentElement;
    if (!/\\p{L}{2}/u.test(text) || element.closest(
      "script, style, template, pre:not(.lines), time, metadata")) continue;
    const sentence = element.closest("p, li, h1, h2, h3, td, th, dd, dt, summary, figcaption");
    if (!(sentence ?? element).textContent.includes("\\u27e6")) found.push(text);
  }
  for (const name of ["aria-label", "title", "placeholder", "alt"]) {
    for (const one of document.querySelectorAll(`[${name}]`)) {
      const text = one.getAttribute(name);
      if (/\\p{L}{2}/u.test(text) && !text.includes("\\u27e6")) found.push(text);
    }
  }
  return found;
}"""
#: What is no word of the pages: units, names of places and animals, what rules say of themselves.
_DATA = re.compile(
    r"(\d[\d:., ]*|mmHg|cmH2O|cmH2O/s|mL(/min|/kg)?|kPa|/min|°C|min|kg|g|s|%|UTC|GMT[+\d]*"
    r"|box-\d\d|bay-\d|recovery/bay-\d|rabbit|guinea pig|pigeon|hedgehog|Marram|Sorrel|Pebble"
    r"|Box-\d\d|small-animal-ventilation"
    r"|very|low|high|some|ceiling|nothing|rate|[,.;:()≥≤→↗↘ \u00a0-])+"
)


def _longer(text: str) -> str:
    # In front, so that a blank at its end stays there.
    return "\u27e6" + "lo " * (len(_PLACEHOLDER.sub("", text)) // 6) + text + "\u27e7"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_store(tmp_path_factory.mktemp("translated-store"))


@pytest.fixture(scope="module")
def pages(
    mosquitto: Callable[[Path], Mosquitto], tmp_path_factory: pytest.TempPathFactory, store: Path
) -> Iterator[tuple[PagesProcess, ToldWard]]:
    folder = tmp_path_factory.mktemp("translated")
    kept = ("name", "language")
    words = {key: text if key in kept else _longer(text) for key, text in texts().items()}
    translation = folder / "longer.json"
    translation.write_text(json.dumps({**words, "language": "nb"}), "utf-8")
    port = mosquitto(folder / "broker").port
    made = PagesProcess(folder, port, f'texts = "{translation}"\n', store.parent)
    made.start()
    with ToldWard(port) as ward:
        ward.patient("box-01")
        ward.patient("box-02")
        ward.standing("box-01", advisory("disconnected", "high", "off"))
        ward.usual("box-01", etco2=(38.0, "mm[Hg]"))
        yield made, ward
    made.stop()


@pytest.fixture
def page(chromium: Browser) -> Iterator[Page]:
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    yield context.new_page()
    context.close()


#: Each page, and what is there when it has been filled.
PAGES = {
    "": "#needs .says",
    "wall": "#needs .says",
    "place/ward/box-01": "#usual:not([hidden])",
    f"place/{PLACE}/trends?to={TO}": "#curves figure .main-svg",
    f"case/{PLACE}?from={to_text(START_MS + 60_000)}": ".story li",
    "cases": "tbody tr",
    "reports": "main",
    "no/such/page": "main",
}


@pytest.mark.slow
@pytest.mark.parametrize("path", PAGES)
def test_there_is_no_word_that_cannot_be_translated(
    pages: tuple[PagesProcess, ToldWard], page: Page, path: str
) -> None:
    page.goto(pages[0].address + path)
    page.wait_for_selector(PAGES[path], timeout=30_000)
    page.wait_for_function("() => document.documentElement.lang === 'nb'")
    found = [text for text in page.evaluate(_UNMARKED) if text != NOTICE]
    said = ("off", "No inflation came.", "the circuit has come off", "Look at the tube.",
            "no inflation for 3 breaths")  # fmt: skip
    left = [text for text in found if not _DATA.fullmatch(text) and text not in said]
    assert left == []
    assert page.evaluate("document.body.textContent.includes('\\u27e6')")
    for width in (1280, 800):
        page.set_viewport_size({"width": width, "height": 900})
        assert fits_its_width(page), f"longer words have no room at {width} px"
    assert violations(page) == []


@pytest.mark.slow
def test_nor_is_there_one_in_the_report_of_a_case(
    pages: tuple[PagesProcess, ToldWard], page: Page, store: Path
) -> None:
    begun = to_text(START_MS + 60_000)
    report = page.request.get(f"{pages[0].address}case/{PLACE}/report?from={begun}", timeout=60_000)
    page.set_content(report.text())
    assert page.evaluate("document.documentElement.lang") == "nb"
    found = [text for text in page.evaluate(_UNMARKED) if text != NOTICE]
    body, _ = read_report(open_for_reading(store), PLACE, from_text(begun))
    # What a rule says is the rule's.
    said = {
        words
        for one in body["advisories"]
        for words in (f"{one['says']} {one['because']}", *one["uncertainty"])
    }
    assert [text for text in found if not _DATA.fullmatch(text) and text not in said] == []


@pytest.mark.slow
def test_times_are_written_as_in_that_language(
    pages: tuple[PagesProcess, ToldWard], page: Page
) -> None:
    page.goto(f"{pages[0].address}cases")
    page.wait_for_selector("tbody tr")
    # CLDR: the months of Norwegian are written small and with a full stop ("25. nov.").
    page.wait_for_function("() => /\\d\\. nov\\./.test(document.querySelector('time').textContent)")
