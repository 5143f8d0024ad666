"""Words, marks and colours shared by everything the command line prints."""

from __future__ import annotations

from typing import Final

from rich.text import Text

from rules.priority import Priority

#: Priority is told by mark and word; colour only helps (IEC 60601-1-8: high red, medium yellow,
#: low cyan).
MARKS: Final = {priority.value: priority.mark for priority in Priority}
STYLES: Final = {"high": "bold red", "medium": "bold yellow", "low": "cyan"}


def priority_text(priority: str) -> Text:
    """`!!  medium`, in its colour."""
    return Text(f"{MARKS[priority]} {priority}", style=STYLES[priority])


def counted(scenarios: int) -> str:
    """`1 scenario`, `12 scenarios`."""
    return f"{scenarios} scenario{'' if scenarios == 1 else 's'}"


def tried_words(scenarios: int, not_as_expected: int) -> str:
    """`12 scenarios, 2 not as expected`."""
    if not scenarios:
        return "no scenarios"
    came = f"{not_as_expected} not as expected" if not_as_expected else "all as expected"
    return f"{counted(scenarios)}, {came}"
