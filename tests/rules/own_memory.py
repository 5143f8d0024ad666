"""How much memory this process holds for itself, to see whether it grows. Linux only."""

from __future__ import annotations

import ctypes
import gc
import re
from pathlib import Path
from typing import Final

_KIB: Final = 1024


def own_bytes() -> int:
    """Memory of its own after collection, also what was moved to swap.

    What the C library holds free for later is given back first: it comes and goes with how the
    heap is cut up, and nobody has forgotten it.

    Pages of program files are left out: the system drops them when it needs room and reads them
    in again, which looks like growth of many megabytes in what is resident. What a program forgets
    to give back is always memory of its own.
    """
    gc.collect()
    ctypes.CDLL(None).malloc_trim(0)
    status = Path("/proc/self/status").read_text(encoding="ascii")
    found = re.findall(r"^(?:RssAnon|VmSwap):\s+(\d+) kB$", status, re.MULTILINE)
    assert len(found) == 2, "this kernel does not tell its own memory from that of files"
    return _KIB * sum(map(int, found))
