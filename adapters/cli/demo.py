"""`tidewarden demo`: a simulated ward with the real broker link, service and store."""

from __future__ import annotations

import logging
import signal
import sys
import threading
import time
import webbrowser
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import Any

import click
from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text

from adapters.cli.bedside_view import LatestView
from adapters.cli.failures import bad_input, written_to
from adapters.cli.pages import pages_beside
from adapters.cli.screen import screen
from adapters.cli.words import priority_text
from adapters.demo import Demo, DemoResult, Story, must_be_unused
from rules.notice import NOTICE


@click.command(short_help="Watch seven simulated animals, and whether the advice was right.")
@click.option(
    "--seconds",
    type=click.FloatRange(min=1),
    help="How long it runs; without it, until all stories are told (150 s).",
)
@click.option(
    "--store",
    type=click.Path(path_type=Path, file_okay=False),
    help="New folder for the store, the truth and the signals; without it one under "
    "tidewarden-demo/.",
)
@click.option(
    "--no-browser", is_flag=True, help="Open no browser; the pages are there all the same."
)
def demo(seconds: float | None, store: Path | None, *, no_browser: bool) -> None:
    """Watch seven simulated animals: what goes wrong, what is advised, and whether it was right.

    Needs nothing but this machine. Everything is invented; the service, its store and its rules
    are the real ones. Exit code 1 when an advisory was missed, late or raised for the animal that
    is well.
    """
    folder = store or Path("tidewarden-demo") / f"{datetime.now(UTC):%Y-%m-%dT%H-%M-%SZ}"
    logging.basicConfig(level=logging.ERROR)
    with bad_input(), written_to(folder):
        must_be_unused(folder)
        folder.mkdir(parents=True, exist_ok=True)
    with bad_input():
        show = Demo(folder, seconds)
        with pages_beside(show.broker.port, folder) as address:
            if not no_browser and sys.stdout.isatty():
                webbrowser.open(address)
            result = _run(show, address)
    _summary(screen(), result)
    failed = any(story.met is False for story in result.stories) or any(
        result.quiet_places.values()
    )
    sys.exit(1 if failed else 0)


def _run(show: Demo, address: str) -> DemoResult:
    view = LatestView(show.scenario, address)
    outcome: list[DemoResult | BaseException] = []

    def work() -> None:
        try:
            outcome.append(show.run(view.on_cycle))
        except BaseException as error:
            outcome.append(error)

    def end(_number: int, _frame: FrameType | None) -> None:
        show.stop.set()

    signal.signal(signal.SIGINT, end)
    signal.signal(signal.SIGTERM, end)
    worker = threading.Thread(target=work, name="demo")
    console = screen()
    began = time.monotonic()
    worker.start()
    if console.is_terminal:
        with Live(console=console, screen=True, auto_refresh=False) as live:
            while worker.is_alive():
                elapsed_s = min(time.monotonic() - began, show.seconds)
                live.update(view.draw(elapsed_s, show.seconds, console), refresh=True)
                worker.join(0.25)
    else:
        click.echo(
            f"Running for {show.seconds:.0f} s; a terminal would show the ward live, and a browser "
            f"does: {address}"
        )
    worker.join()
    if isinstance(outcome[0], BaseException):
        raise outcome[0]
    return outcome[0]


def _summary(console: Console, result: DemoResult) -> None:
    console.print(f"\nTruth against advisories after {result.seconds:.0f} s", style="bold")
    table = Table(box=None, header_style="dim", padding=(0, 1))
    # Neither a rule's name nor a unit is ever cut: in a narrow window what was true gives way.
    for heading in ("", "place", "what was true", "advisory expected", "of promised"):
        table.add_column(heading, no_wrap=heading != "what was true")
    for story in result.stories:
        table.add_row(
            _verdict(story),
            story.place,
            f"{story.what} (at {story.begins_s:.0f} s)",
            _expected(story),
            _delay(story),
        )
    for place, raised in result.quiet_places.items():
        word = Text("kept quiet", style="green") if not raised else Text("CRIED WOLF", "bold red")
        table.add_row(word, place, "stayed well", "none", ", ".join(raised) or "-")
    console.print(table)
    others = _others(result)
    if others:
        console.print(
            "\nOther advisories, which follow from these stories (times in UTC):", style="dim"
        )
        for line in others:
            console.print(f"  {line}", style="dim")
    console.print(
        f"\n{result.accepted} messages taken, {result.refused} refused. "
        f"Rules {result.rules}, engine {result.engine}."
    )
    console.print(f"Everything is in {result.store}", soft_wrap=True)
    console.print("with truth.jsonl and signals.jsonl.gz beside it. Try:")
    console.print(f"  tidewarden replay {result.store} --out replayed", soft_wrap=True)
    console.print(f"\nSimulated animals. {NOTICE}", style="dim")


def _verdict(story: Story) -> Text:
    if story.met is None:
        return Text("not yet due", style="dim")
    return Text("in time", style="green") if story.met else Text("MISSED", style="bold red")


def _expected(story: Story) -> Text:
    return priority_text(story.priority).append(f"\n{story.rule}", style="default")


def _delay(story: Story) -> str:
    if story.met is None:
        return f"due in {story.within_s:.0f} s"
    if story.raised_s is None:
        return f"none in {story.within_s:.0f} s"
    return f"{story.raised_s - story.begins_s:.1f} of {story.within_s:.0f} s"


def _others(result: DemoResult) -> list[str]:
    expected = {story.id for story in result.stories}
    return [
        f"{_time_of(body)}  {body['place']}  {body['priority']:<6}  {body['says']}"
        f"{'' if body['speaks'] else '  (quiet: explained by another)'}"
        for body in result.events
        if body["event"] == "raised"
        and body["id"] not in expected
        and not any(body["place"] == place for place in result.quiet_places)
    ]


def _time_of(body: dict[str, Any]) -> str:
    return str(body["raised_at"])[11:19]
