"""How much of the largest sweeps is run: a part each time, the whole where it is asked for."""

from __future__ import annotations

import os
from typing import Final

#: With TIDEWARDEN_WHOLE=1 the sweeps have the size that their results are quoted for.
WHOLE: Final = os.environ.get("TIDEWARDEN_WHOLE") == "1"


def share_of(number: int, part: int) -> int:
    """`number`, or the `part`th of it. What a test demands of each case is the same in both."""
    return number if WHOLE else number // part
