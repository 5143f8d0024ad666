"""Whatever is written, the loader answers with a rule set or with a list of problems."""

from __future__ import annotations

from contextlib import suppress

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from texts_full import SITE

from rules.loading import load_rule_set
from rules.reading import RuleSetError

_PIECES = (
    "", "0", "1__0", "-1", "1e999", ".inf", "~", "true", "[]", "{}", "[a]", "{a: b}", "- ", ":",
    "'", '"', "#", "&a ", "*a", "!!int ", "parameter", "parameter settle", "limit", "limit limit",
    "limit etco2_high", "10 s", "10", "{held}", "{", "}", "{parameter gap}", "2026-12-01", "\n",
    "  ", "\t", "null", "etco2", "1 to 2", "is", "µ", "\u2028",
)  # fmt: skip


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    file=st.sampled_from(sorted(SITE)),
    start=st.integers(0, 4000),
    length=st.integers(0, 12),
    piece=st.sampled_from(_PIECES),
)
def test_a_piece_in_a_wrong_place(file: str, start: int, length: int, piece: str) -> None:
    text = SITE[file]
    start %= len(text)
    with suppress(RuleSetError):
        load_rule_set({**SITE, file: text[:start] + piece + text[start + length :]})


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(file=st.sampled_from(sorted(SITE)), line=st.integers(0, 200), piece=st.sampled_from(_PIECES))
def test_a_value_of_another_kind(file: str, line: int, piece: str) -> None:
    lines = SITE[file].splitlines()
    line %= len(lines)
    lines[line] = lines[line].partition(":")[0] + ": " + piece
    with suppress(RuleSetError):
        load_rule_set({**SITE, file: "\n".join(lines) + "\n"})
