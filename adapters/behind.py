"""Makes way for all else on the machine, as soon as it is read: for processes that can wait."""

from __future__ import annotations

import os
from typing import Final

#: Three of four turns are the others': somebody waits for this, after all.
_BEHIND: Final = 5


def get_behind() -> None:
    """Let all else go before this process."""
    os.setpriority(os.PRIO_PROCESS, 0, _BEHIND)


get_behind()
