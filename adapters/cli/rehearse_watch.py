"""`tidewarden rehearse --watch`: after each save, what depends on it."""

from __future__ import annotations

import importlib.util
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

import click
from rich.console import Console

from adapters.cli.rehearse_view import print_failure
from adapters.cli.work import bar_beside
from adapters.rehearsal.editing import Desk, Round
from adapters.rule_files import RuleFilesError, rules_folder
from rules.reading import RuleSetError

#: An editor writes a file in several steps: saves within so many ms are one.
_ONE_SAVE_MS: Final = 100
#: So often files are looked at where nothing has told of a save (ms).
_LOOK_MS: Final = 1000
_LIBRARY: Final = "watchfiles"


def watch_rules(desk: Desk, console: Console) -> None:
    """Judge everything once, then after each save what depends on it; until it is interrupted."""
    if importlib.util.find_spec(_LIBRARY) is None:
        raise click.UsageError("--watch needs a library: pip install 'tidewarden[rehearse]'")
    import watchfiles  # noqa: PLC0415 (it is not always installed)

    console.print("All scenarios once; after each save those that depend on it. Ctrl-C ends.")
    folders = [Path(str(rules_folder(desk.spec))), *desk.paths]
    try:
        seen = _stamp(folders)
        _round(desk, console)
        # What is saved before the watching has begun is seen at its first time-out.
        for _ in watchfiles.watch(
            *folders,
            debounce=_ONE_SAVE_MS,
            step=_ONE_SAVE_MS // 2,
            rust_timeout=_LOOK_MS,
            yield_on_timeout=True,
        ):
            now = _stamp(folders)
            if now != seen:
                seen = now
                _round(desk, console)
    except KeyboardInterrupt:
        return


def _stamp(folders: Sequence[Path]) -> frozenset[tuple[str, int, int]]:
    """Each file with when it was last written, and its size."""
    files = (
        file
        for folder in folders
        for file in (folder.rglob("*.yaml") if folder.is_dir() else [folder])
    )
    found = set()
    for file in files:
        # An editor may be replacing it just now: the next look sees it again.
        with suppress(OSError):
            status = file.stat()
            found.add((str(file), status.st_mtime_ns, status.st_size))
    return frozenset(found)


def _round(desk: Desk, console: Console) -> None:
    began_s = time.monotonic()
    try:
        found = desk.read(bar_beside("scenarios"))
    except (RuleFilesError, RuleSetError) as error:
        # It is being written: the next save may mend it.
        click.echo(f"\n{error}")
        return
    took_s = time.monotonic() - began_s
    _print(found, took_s, console)


def _print(found: Round, took_s: float, console: Console) -> None:
    failing = [one for one in found.all if not one.passed]
    changed = sorted(found.changed)
    what = ", ".join(changed) if 0 < len(changed) <= 5 else f"{len(changed)} rules"
    console.print(
        f"\nchanged: {what if changed else 'no rule'}; {len(found.again)} of {len(found.all)} "
        f"scenarios judged again in {took_s:.1f} s"
    )
    for one in failing:
        print_failure(console, one)
    words = f"{len(failing)} not as expected" if failing else "all as expected"
    console.print(words, style="bold red" if failing else "bold green")
