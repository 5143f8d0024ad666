"""How much the scenarios test: clauses, limits, and small changes that nobody would notice."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from adapters.rehearsal.report.html import Html, table, tag, text
from adapters.rehearsal.report.report import Report, Survivor
from adapters.rehearsal.shares import clause_share, noticed_share
from rules.condition_words import leaf_words, number_words
from rules.coverage import Clause, Coverage, Seen
from rules.coverage import clauses as clauses_of
from rules.model import RuleSet
from service.rehearsal.reading import Accepted

#: So many rows may stand open in the page.
_FEW: Final = 20
_KINDS: Final = {
    "threshold": "a limit or number moved",
    "time": "a time moved",
    "comparison": "a comparison turned",
    "clause": "a clause left out",
    "bond": "an outranking, a scope or a latch changed",
}


def covered(rule_set: RuleSet, coverage: Coverage) -> Iterator[Html]:
    """Clauses that were not seen in every way, and at how many moments each limit decided."""
    seen, share = coverage.clauses, clause_share(coverage)
    missing = [one for one in clauses_of(rule_set) if not seen[one.key].whole]
    yield tag(
        "p",
        text(
            "Every clause should be seen true, seen false, and seen deciding: a moment at which "
            f"its rule hangs on it alone. {share.count:,} of {share.of:,} "
            "clauses were."
        ),
    )
    if missing:
        words = f"Clauses that were not seen in every way: {len(missing):,}"
        heads = ("clause", "rule", "part", "true", "false", "deciding")
        rows = [_clause(one, seen[one.key]) for one in missing]
        found = table("At how many moments each was seen so", heads, rows)
        yield _details(words, found, opened=len(missing) <= _FEW)
    yield from _limits(rule_set, coverage.limits)


def _clause(clause: Clause, seen: Seen) -> list[Html]:
    rule, part, _ = clause.key
    counts = (seen.true, seen.false, seen.deciding)
    return [text(leaf_words(clause.leaf)), text(rule), text(part), *map(_count, counts)]


def _count(count: int) -> Html:
    """A number of moments; none is a gap, told by word as well as by colour."""
    return text(f"{count:,}") if count else tag("b", text("never"), class_="bad")


def _limits(rule_set: RuleSet, deciding: Mapping[tuple[str, str], int]) -> Iterator[Html]:
    used = frozenset().union(*(rule.limit_names() for rule in rule_set.rules))
    entries = [
        (limit, entry.value, entry.where.words)
        for limit in rule_set.limits.limits.values()
        for entry in limit.entries
        if limit.name in used and entry.value is not None
    ]
    rows = [
        [
            text(limit.name),
            text(where),
            text(number_words(value, limit.unit)),
            _count(deciding.get((limit.name, where), 0)),
        ]
        for limit, value, where in entries
    ]
    never = sum(not deciding.get((limit.name, where)) for limit, _, where in entries)
    if not entries:
        return
    words = f"Limits by name and for whom: {len(entries):,}, of which {never:,} never decided"
    heads = ("limit", "for whom", "value", "moments at which a rule hung on it")
    yield _details(words, table("How often each limit decided", heads, rows))


def _details(summary: str, body: Html, *, opened: bool = False) -> Html:
    return Html(
        f'<details class="plain"{" open" if opened else ""}>'
        f"{tag('summary', text(summary))}{body}</details>"
    )


# -- small changes --------------------------------------------------------------------------------


def unnoticed(report: Report, survivors: Sequence[Survivor]) -> Iterator[Html]:
    """How many small changes of the rules some scenario notices, by kind, and those none does."""
    share = noticed_share(report.changes, survivors)
    open_ones = [one for one in survivors if one.reason is None]
    accepted = [one for one in survivors if one.reason is not None]
    yield tag(
        "p",
        text(
            "Each limit, number and time was moved a little, each comparison turned, each clause "
            "and each outranking and scope left out, and what latches does not. Of "
            f"{share.of:,} such changes some scenario notices {share.count:,}. "
            f"{_open_words(len(open_ones), len(accepted))}"
        ),
    )
    yield _by_kind(report.changes, survivors)
    if open_ones:
        yield _table("Noticed by nobody, and nobody has said why", open_ones)
    if accepted:
        words = f"Noticed by nobody, with the reason: {len(accepted):,}"
        yield _details(words, _table("Nobody has to notice these", accepted))
    if report.stale:
        yield _stale(report.stale)


def _open_words(open_ones: int, accepted: int) -> str:
    if not open_ones and not accepted:
        return "None goes unnoticed."
    if not open_ones:
        return f"Unnoticed, each with a reason: {accepted:,}."
    return f"Unnoticed without a reason: {open_ones:,}; with one: {accepted:,}."


def _by_kind(changes: Mapping[str, int], survivors: Sequence[Survivor]) -> Html:
    left = Counter(one.kind for one in survivors)
    given = Counter(one.kind for one in survivors if one.reason is not None)
    rows = [
        [
            text(_KINDS.get(kind, kind)),
            text(f"{count:,}"),
            text(f"{count - left[kind]:,}"),
            text(f"{given[kind]:,}"),
            text(f"{left[kind] - given[kind]:,}"),
        ]
        for kind, count in changes.items()
    ]
    heads = ("change", "made", "noticed", "unnoticed, with a reason", "unnoticed")
    return table("Small changes by kind", heads, rows)


def _table(caption: str, survivors: Sequence[Survivor]) -> Html:
    rows = [
        [
            text(one.of),
            text(_KINDS.get(one.kind, one.kind)),
            text(one.words),
            text("none is given" if one.reason is None else one.reason),
        ]
        for one in survivors
    ]
    return table(caption, ("rule or limit", "kind", "change", "reason"), rows)


def _stale(accepted: Sequence[Accepted]) -> Html:
    rows = [
        [text(one.of), text(one.change), text(one.because), text(str(one.where))]
        for one in accepted
    ]
    words = "Accepted as unnoticed, and yet noticed or no change any more: take them out"
    return table(words, ("rule or limit", "change", "reason given", "written in"), rows)
