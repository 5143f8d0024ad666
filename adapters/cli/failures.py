"""Bad input ends a command with exit code 2 and one clear message, never a traceback."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from adapters.backtest.spread import SpreadError
from adapters.cases.reading import NoCaseError
from adapters.config import ConfigError
from adapters.evaluation.mapping import EvaluationError
from adapters.evaluation.statistics import EvaluationUnavailableError
from adapters.journal import JournalError
from adapters.library_releases import ReleaseError
from adapters.pages.people import PeopleError
from adapters.plots import PlotsUnavailableError
from adapters.recordings import RecordingError
from adapters.replay import TrialFailedError
from adapters.rule_files import RuleFilesError
from adapters.sqlite.reading import StoreError
from adapters.texts import TextsError
from rules.engine import EngineError
from rules.loading import RuleSetError

BAD_INPUT = 2


@contextmanager
def bad_input() -> Iterator[None]:
    """Turn what the user can mend into a message and exit code 2."""
    try:
        yield
    except (
        ConfigError,
        EngineError,
        EvaluationError,
        EvaluationUnavailableError,
        JournalError,
        NoCaseError,
        PeopleError,
        PlotsUnavailableError,
        RecordingError,
        ReleaseError,
        RuleFilesError,
        RuleSetError,
        SpreadError,
        StoreError,
        TextsError,
        TrialFailedError,
    ) as error:
        click.echo(f"tidewarden: {error}", err=True)
        sys.exit(BAD_INPUT)


@contextmanager
def written_to(out: Path) -> Iterator[None]:
    """Turn what keeps `out` from being written into a message and exit code 2."""
    try:
        yield
    except OSError as error:
        what = error.strerror or str(error)
        click.echo(f"tidewarden: {error.filename or out}: cannot be written: {what}", err=True)
        sys.exit(BAD_INPUT)
