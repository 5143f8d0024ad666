"""The screen that commands print on."""

from __future__ import annotations

from rich.console import Console


def screen(*, errors: bool = False) -> Console:
    """A console on standard output (or error) that prints each text as it is written.

    What rule files, stores and messages say may hold brackets (`[degF]`) or colons, which would
    else be read as markup: it vanished from the screen, or ended the command. Style goes beside
    the text, never into it.
    """
    return Console(stderr=errors, markup=False, emoji=False, highlight=False)
