"""What several tests of the rules share."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator

import pytest
from worlds import FLAG

from rules.engine.extension import available
from rules.vocabulary import CATALOGUE


@pytest.fixture(scope="session")
def durable() -> None:
    """Skips a test where durable-rules cannot be loaded, or fails it where it must be there."""
    if available():
        return
    required = os.environ.get("TIDEWARDEN_REQUIRE_ALL") == "1" and sys.version_info < (3, 13)
    reason = "durable-rules cannot be loaded by this interpreter"
    if required:
        pytest.fail(f"{reason}, and TIDEWARDEN_REQUIRE_ALL is set")
    pytest.skip(reason)


@pytest.fixture(scope="module")
def flag_fact() -> Iterator[None]:
    """Adds a flag to the catalogue, which has none of its own."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(CATALOGUE, FLAG.name, FLAG)
        yield
