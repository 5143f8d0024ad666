"""What people ask on the pages: in Chromium, over Mosquitto, into the store of the service."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from between import between
from browser import fits_its_width, violations
from end_to_end.clients import Publisher, wait_for
from end_to_end.hand_written import HandDevice, quantity
from end_to_end.mosquitto import Mosquitto
from end_to_end.service_process import ServiceProcess
from end_to_end.store_facts import StoreFacts
from end_to_end.ward_bench import PagesProcess

from adapters.pages.people import add_person

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

WORDS = "a long enough word"
PEOPLE = (("mira", "team"), ("tern", "team"), ("kit", "reader"), ("hall", "wall"))


@dataclass
class Whole:
    """Broker, service and pages, with somebody at a place."""

    broker: Mosquitto
    service: ServiceProcess
    pages: PagesProcess
    publisher: Publisher
    store: StoreFacts

    def place(self, name: str) -> HandDevice:
        """A place with a rabbit; on it a journey stands that the battery does not last for."""
        device = HandDevice(self.publisher, f"hand/{name}")
        device.send(
            "patient", retain=True, patient=name.title(), species="rabbit", phase="transfer",
            mass=quantity(1.2, "kg"), **{"class": "mammal"},
        )  # fmt: skip
        device.plan_a_journey_on_a_weak_battery()
        return device


@pytest.fixture(scope="module")
def whole(
    mosquitto: Callable[[Path], Mosquitto], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Whole]:
    folder = tmp_path_factory.mktemp("whole")
    broker = mosquitto(folder / "broker")
    service = ServiceProcess(folder / "service", broker.port)
    service.start()
    for name, role in PEOPLE:
        add_person(folder / "people.toml", name, role, WORDS)
    settings = f'people = "{folder / "people.toml"}"\nsession_minutes = 1\n'
    pages = PagesProcess(folder, broker.port, settings, service.store.parent)
    pages.start()
    with Publisher(broker.port, "ward") as publisher:
        yield Whole(broker, service, pages, publisher, StoreFacts(service.store))
    pages.stop()
    service.kill()


@pytest.fixture
def window(chromium: Browser) -> Iterator[Callable[[], BrowserContext]]:
    opened: list[BrowserContext] = []

    def make() -> BrowserContext:
        opened.append(chromium.new_context(viewport={"width": 1400, "height": 1000}))
        return opened[-1]

    yield make
    for context in opened:
        context.close()


def _log_in(context: BrowserContext, address: str, name: str, path: str = "") -> Page:
    page = context.new_page()
    page.goto(address + path)
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(WORDS)
    page.keyboard.press("Enter")
    page.wait_for_url(f"{address}{path}" if name != "hall" else f"{address}wall")
    return page


def _outcome(page: Page, words: str) -> None:
    page.wait_for_function(
        "(words) => document.getElementById('outcome').textContent.includes(words)",
        arg=words,
        timeout=8000,
    )


def test_seen_by_keys_alone_into_the_store_and_onto_every_page(
    whole: Whole, window: Callable[[], BrowserContext]
) -> None:
    whole.place("bay-1")
    mine = _log_in(window(), whole.pages.address, "mira", "place/hand/bay-1")
    theirs = _log_in(window(), whole.pages.address, "tern", "place/hand/bay-1")
    for page in (mine, theirs):
        page.locator("#standing .acknowledge").wait_for(timeout=10_000)
    mine.wait_for_timeout(1000)
    mine.locator("#standing .acknowledge").focus()
    mine.keyboard.press("Enter")
    for page in (mine, theirs):
        page.get_by_role("button", name="mira has seen it").wait_for(timeout=5000)
    _outcome(mine, "Tidewarden knows that you have seen it")
    # Who asked by keys goes on by keys from where they were.
    assert mine.evaluate("document.activeElement.textContent") == "mira has seen it"
    (kept,) = whole.store.rows(
        "select e.event, json_extract(e.body, '$.by') from advisory_events e "
        "where e.event = 'acknowledged' and e.body like '%bay-1%'"
    )
    assert kept == ("acknowledged", "mira")


def test_two_who_press_at_the_same_time_are_told_who_was_first(
    whole: Whole, window: Callable[[], BrowserContext]
) -> None:
    whole.place("bay-2")
    pages = [
        _log_in(window(), whole.pages.address, name, "place/hand/bay-2")
        for name in ("mira", "tern")
    ]
    for page in pages:
        page.locator("#standing .acknowledge").wait_for(timeout=10_000)
    pages[0].wait_for_timeout(1000)
    for page in pages:
        # Both are sent before either has heard of the other.
        page.evaluate("document.querySelector('#standing .acknowledge').click()")
    for page in pages:
        page.get_by_role("button", name="has seen it").wait_for(timeout=5000)
    said = [page.locator("#outcome:not(:empty)").inner_text() for page in pages]
    assert sorted("already acknowledged by" in one for one in said) == [False, True]
    events = whole.store.rows(
        "select count(*) from advisory_events where event = 'acknowledged' and body like '%bay-2%'"
    )
    assert events == [(1,)]


def test_quiet_for_a_while_with_a_reason_and_a_note(
    whole: Whole, window: Callable[[], BrowserContext]
) -> None:
    whole.place("bay-3")
    page = _log_in(window(), whole.pages.address, "mira", "place/hand/bay-3")
    page.locator("#standing .acknowledge").wait_for(timeout=10_000)
    page.get_by_label("min, because").fill("suction")
    page.get_by_role("button", name="Be quiet").click()
    _outcome(page, "only for what is of high priority")
    page.get_by_text("asked by mira: suction").wait_for(timeout=3000)
    page.get_by_role("button", name="Speak again").click()
    _outcome(page, "It speaks again")
    page.get_by_role("button", name="Be quiet").wait_for(timeout=3000)
    page.get_by_label("Note").fill("<b>tube</b> turned")
    page.get_by_role("button", name="Write down").click()
    page.locator("#notes li").wait_for(timeout=5000)
    assert page.inner_text("#notes").endswith("mira: <b>tube</b> turned")
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        for width in (1400, 800):
            page.set_viewport_size({"width": width, "height": 900})
            assert violations(page) == []
            assert fits_its_width(page)
    # A reader sees the note and who paused, and has no button.
    reader = _log_in(window(), whole.pages.address, "kit", "place/hand/bay-3")
    reader.locator("#notes li").wait_for(timeout=5000)
    assert reader.locator(".acknowledge:visible, .ask:visible").count() == 0
    kept = whole.store.rows(
        "select event, json_extract(m.payload, '$.reason') from pause_events, messages m "
        "where m.kind = 'request' and json_extract(m.payload, '$.action') = 'pause'"
    )
    assert kept == [("paused", "suction"), ("resumed", "suction")]


def test_a_network_that_is_cut_shows_and_mends(
    whole: Whole, window: Callable[[], BrowserContext]
) -> None:
    with between(whole.pages.port) as network:
        address = f"http://127.0.0.1:{network.port}/"
        page = _log_in(window(), address, "mira")
        page.wait_for_selector("body[data-link=watching]", timeout=5000)
        network.cut()
        page.wait_for_selector("body[data-link=lost]", timeout=4500)
        assert "look at the animals" in page.inner_text("#link")
        network.mend()
        page.wait_for_selector("body[data-link=watching]", timeout=8000)


def test_who_logs_out_elsewhere_sees_nothing_old(
    whole: Whole, window: Callable[[], BrowserContext]
) -> None:
    context = window()
    page = _log_in(context, whole.pages.address, "mira")
    page.wait_for_selector("body[data-link=watching]", timeout=5000)
    other = context.new_page()
    other.goto(whole.pages.address)
    other.get_by_role("button", name="Log out").click()
    page.wait_for_url("**/login?next=*", timeout=5000)
    assert page.locator("article").count() == 0


def test_the_login_and_the_wall_can_be_read_by_everybody(
    whole: Whole, window: Callable[[], BrowserContext]
) -> None:
    whole.place("bay-1")
    page = window().new_page()
    page.goto(whole.pages.address)
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        assert violations(page) == []
    wall = _log_in(window(), whole.pages.address, "hall")
    wall.set_viewport_size({"width": 1920, "height": 1080})
    wall.locator("#needs article").first.wait_for(timeout=10_000)
    for scheme in ("light", "dark"):
        wall.emulate_media(color_scheme=scheme)
        assert violations(wall) == []
    assert wall.locator("form:visible, button:visible").count() == 0
    # Letters of 15 mm are read from 3 m (common practice: a two-hundredth of the distance); on a
    # screen a metre wide a pixel is 0.52 mm, and a capital letter 0.7 of its font's size.
    size_px = wall.locator("#needs .words").first.evaluate(
        "(one) => parseFloat(getComputedStyle(one).fontSize)"
    )
    assert 0.7 * size_px * 1000 / 1920 >= 15.0


# The last one here: the service that it starts again ends with it.
def test_a_service_that_does_not_answer_leaves_it_open_whether_it_was_done(
    whole: Whole, window: Callable[[], BrowserContext]
) -> None:
    whole.place("bay-4")
    page = _log_in(window(), whole.pages.address, "mira", "place/hand/bay-4")
    page.locator("#standing .acknowledge").wait_for(timeout=10_000)
    whole.service.kill()
    page.get_by_label("Note").fill("for later")
    page.get_by_role("button", name="Write down").click()
    _outcome(page, "nobody knows whether it was done")
    # It was not lost: the broker has kept it.
    whole.service.start()
    query = "select count(*) from messages where kind = 'request' and payload like '%for later%'"
    wait_for(lambda: whole.store.rows(query) == [(1,)], 10, "the note in the store")
