"""Words, marks and colours shared by everything the command line prints."""

from __future__ import annotations

from typing import Final

#: Priority is told by mark and word; colour only helps (IEC 60601-1-8: high red, medium yellow,
#: low cyan).
MARKS: Final = {"high": "!!!", "medium": "!! ", "low": "!  "}
STYLES: Final = {"high": "bold red", "medium": "bold yellow", "low": "cyan"}
