"""`tidewarden case`: the report of a case, or the cases that a store holds."""

from __future__ import annotations

import json
from importlib.metadata import version
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.table import Table

from adapters.cases.handover_lines import lost_lines
from adapters.cases.page import report_page
from adapters.cases.reading import NoCaseError, all_stays
from adapters.cases.reports import read_report
from adapters.cli.failures import bad_input, written_to
from adapters.cli.history import instant
from adapters.cli.screen import screen
from adapters.cli.store_options import store_file_option
from adapters.clock import SystemClock
from adapters.sqlite.reading import open_for_reading
from adapters.sqlite.store import store_file
from adapters.texts import speak
from rules.notice import NOTICE
from rules.wording import lasted
from service.cases.report import Record
from service.cases.stays import Stay
from service.instants import to_text


@click.command(short_help="Report a case: what was measured, advised and done.")
@click.argument("who", required=False)
@store_file_option
@click.option(
    "--from",
    "at_ms",
    callback=instant,
    help="An instant of the stay (RFC 3339, UTC); without it, the last one.",
)
@click.option(
    "--html",
    type=click.Path(path_type=Path, dir_okay=False, allow_dash=True),
    help="Write the report as one HTML file (-: to standard output). Its picture needs the extra: "
    "pip install 'tidewarden[plots]'.",
)
@click.option(
    "--texts",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The words of the file in another language: a translation of adapters/texts/en.json.",
)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def case(
    *,
    who: str | None,
    store: Path,
    at_ms: int | None,
    html: Path | None,
    texts: Path | None,
    as_json: bool,
) -> None:
    """Report the case of WHO: the patient's name, or WARD/PLACE for the last one there.

    Without WHO, list the cases of the store.
    """
    with bad_input():
        speak(texts)
        db = open_for_reading(store_file(store))
        stays = all_stays(db)
        if who is None:
            _list(stays, as_json=as_json)
            return
        stay = _found(stays, who, at_ms)
        body, record = read_report(db, stay.place, stay.from_ms)
    if html is not None:
        _write(body, record, html)
    if as_json:
        click.echo(json.dumps(body, ensure_ascii=False, indent=2))
    elif html is None:
        _tell(body)
    elif str(html) != "-":
        click.echo(f"Written: {html}")


def _found(stays: list[Stay], who: str, at_ms: int | None) -> Stay:
    """`stays` are the newest first."""
    mine = [one for one in stays if who in (one.patient, one.place)]
    if not mine:
        known = ", ".join(dict.fromkeys(f"{one.patient} ({one.place})" for one in stays)) or "none"
        raise NoCaseError(f'no case of "{who}" in this store; it holds: {known}')
    then = [one for one in mine if at_ms is None or one.from_ms <= at_ms <= one.to_ms]
    if not then:
        begun = ", ".join(f"{to_text(one.from_ms)} to {to_text(one.to_ms)}" for one in mine)
        raise NoCaseError(f'--from lies in no stay of "{who}"; there are: {begun}')
    return then[0]


def _write(body: dict[str, Any], record: Record, html: Path) -> None:
    page = report_page(body, record, to_text(SystemClock().now_ms()), version("tidewarden"))
    if str(html) == "-":
        click.echo(page, nl=False)
        return
    with written_to(html):
        html.write_text(page, "utf-8")


def _list(stays: list[Stay], *, as_json: bool) -> None:
    if as_json:
        rows = [_row(one) for one in stays]
        click.echo(json.dumps({"notice": NOTICE, "cases": rows}, ensure_ascii=False, indent=2))
        return
    table = Table(box=None, header_style="dim", padding=(0, 1))
    for heading in ("patient", "species", "place", "from (UTC)", "to", "lasted"):
        table.add_column(heading, no_wrap=True)
    for one in stays:
        row = _row(one)
        ends = row["to"][11:16] if one.ended else "still there"
        stayed = lasted((one.to_ms - one.from_ms) / 1000.0)
        begun = f"{row['from'][:10]} {row['from'][11:16]}"
        table.add_row(one.patient, row["species"], one.place, begun, ends, stayed)
    console = screen()
    console.print(table if stays else "This store holds no case: nobody was ever entered.")
    console.print(NOTICE, style="dim")


def _row(stay: Stay) -> dict[str, Any]:
    return {
        "patient": stay.patient,
        "species": stay.last.patient.species,
        "place": stay.place,
        "from": to_text(stay.from_ms),
        "to": to_text(stay.to_ms),
        "ended": stay.ended,
    }


def _tell_advised(console: Console, advisories: list[dict[str, Any]]) -> None:
    """What spoke for itself; the report has the most urgent first."""
    if not advisories:
        return
    table = Table(box=None, header_style="dim", padding=(0, 1))
    for heading in ("priority", "advised", "from (UTC)", "stood", "acknowledged"):
        table.add_column(heading, no_wrap=heading != "advised")
    for one in advisories:
        seen = "by nobody"
        if one["seen_by"] is not None:
            seen = f"{one['seen_by']}, after {lasted(one['seen_after_s'])}"
        times = f" ({len(one['spans'])} times)" if len(one["spans"]) > 1 else ""
        stood = lasted(one["stood_s"]) + times
        table.add_row(one["priority"], one["title"], one["spans"][0]["from"][11:19], stood, seen)
    console.print()
    console.print(table)


def _tell(body: dict[str, Any]) -> None:
    console, one = screen(), body["case"]
    mass = "" if one["mass_kg"] is None else f", {one['mass_kg']:g} kg"
    console.print(f"{one['patient']}, {one['species']}{mass}, {one['ward']}/{one['place']}",
                  style="bold")  # fmt: skip
    for line in body["summary"]:
        console.print(f"- {line}", markup=False, highlight=False)
    _tell_advised(console, [one for one in body["advisories"] if one["outranked_by"] is None])
    lost = lost_lines(body["lost"])
    if lost:
        console.print(f"\nReadings lost: {'; '.join(lost)}.", markup=False, highlight=False)
    console.print("\nAll of it: --html FILE or --json", style="dim")
    console.print(NOTICE, style="dim")
