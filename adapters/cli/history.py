"""`tidewarden handover` and `tidewarden shift`: what a store tells of the hours behind."""

from __future__ import annotations

import json
import shutil
import textwrap
from pathlib import Path
from typing import Any, Final

import click
from sqlite_utils import Database

from adapters.cases.handover_lines import handover_lines
from adapters.cli.failures import bad_input
from adapters.cli.shift_lines import shift_lines
from adapters.sqlite.history import first_ms, reached_ms, read_past, read_places, read_told
from adapters.sqlite.reading import StoreError, open_for_reading
from adapters.sqlite.store import store_file
from rules.notice import NOTICE
from service.handover import handover as handover_of
from service.instants import from_text, to_text
from service.shift import shift as shift_of

_WIDEST: Final = 100
_MS_PER_H: Final = 3_600_000
_STORE = click.argument("store", type=click.Path(path_type=Path))
_JSON = click.option("--json", "as_json", is_flag=True, help="Print as JSON.")


def instant(_ctx: click.Context, _param: click.Parameter, value: str | None) -> int | None:
    """RFC 3339 in UTC as milliseconds since 1970."""
    try:
        return None if value is None else from_text(value)
    except ValueError as error:
        raise click.BadParameter(f"{value!r} {error}") from None


@click.command(short_help="Tell what the next shift must know of one place.")
@_STORE
@click.option("--place", required=True, metavar="WARD/PLACE", help="Whose hand-over it is.")
@click.option(
    "--hours",
    type=click.FloatRange(min=0.0, min_open=True, max=24.0 * 366),
    default=12.0,
    show_default=True,
    help="How far to look back from the end of the store.",
)
@_JSON
def handover(store: Path, place: str, hours: float, *, as_json: bool) -> None:
    """What the next shift must know of one place, from STORE (a folder or its .sqlite file).

    What stands and who has acknowledged it, what came and went, pauses, readings lost.
    """
    with bad_input():
        db = _open(store)
        to_ms = reached_ms(db)
        begins_ms = to_ms - round(hours * _MS_PER_H)
        begins_ms = max(begins_ms, min(first_ms(db) or begins_ms, to_ms - 1))
        body = handover_of(read_past(db, place, begins_ms, to_ms))
    _print(body, handover_lines(body), as_json=as_json)


@click.command(short_help="Tell how often advisories spoke, beside published figures.")
@_STORE
@click.option("--from", "from_ms", callback=instant, help="Begin; without it, the store's.")
@click.option("--to", "to_ms", callback=instant, help="End; without it, the store's.")
@_JSON
def shift(store: Path, from_ms: int | None, to_ms: int | None, *, as_json: bool) -> None:
    """How often advisories spoke in a shift, beside published figures, from STORE.

    Times are RFC 3339 in UTC, as 2026-11-25T13:00:00Z.
    Per ward and place: rates, floods, shares by priority, chattering, times to acknowledge.
    """
    with bad_input():
        db = _open(store)
        end_ms = reached_ms(db) + 1 if to_ms is None else to_ms
        begin_ms = (first_ms(db) or end_ms - 1) if from_ms is None else from_ms
        if begin_ms >= end_ms:
            raise StoreError(_no_span(db, begin_ms, end_ms))
        body = shift_of(read_told(db, begin_ms, end_ms), read_places(db), begin_ms, end_ms)
    _print(body, shift_lines(body), as_json=as_json)


def _no_span(db: Database, begin_ms: int, end_ms: int) -> str:
    """Why nothing lies between, and what the store holds."""
    held = f"the store holds {to_text(first_ms(db) or reached_ms(db))} to {to_text(reached_ms(db))}"
    return f"no time from {to_text(begin_ms)} to {to_text(end_ms)}: {held}; mend --from or --to"


def _open(store: Path) -> Database:
    return open_for_reading(store_file(store))


def _print(body: dict[str, Any], lines: list[str], *, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(body, ensure_ascii=False, indent=2))
        return
    width = min(_WIDEST, shutil.get_terminal_size().columns)
    for line in [*lines, "", NOTICE]:
        click.echo(_wrapped(line, width))


def _wrapped(line: str, width: int) -> str:
    """The line, broken so that what follows stands a little further in than its beginning."""
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.fill(line, width, subsequent_indent=indent, replace_whitespace=False)
