"""What is known to have been true in a recording or store, as somebody wrote it down.

    by: ward vet, from the notes of the night
    right_to_within: 5 s
    happened:
      - what: disconnected
        place: recovery/box-3
        from: 2026-03-02T14:05:10Z
        to: 2026-03-02T14:06:40Z
        urgent: true
        note: the tube came off when the animal was turned
    complete: true

Times are instants, or times from the first message of the source (`312 s`). `complete` says that
nothing else was wrong: everywhere (true), or in the stretches that are listed. Only there is
something said without reason known to be false.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from io import StringIO
from pathlib import Path
from typing import Final

from ruamel.yaml import YAML
from ruamel.yaml.nodes import Node, ScalarNode, SequenceNode

from adapters.backtest.sources import Source
from adapters.evaluation.truth_kinds import Kind
from rules.quantities import quantity_in
from rules.reading import Problem, Reader, RuleSetError, is_flag, kind_of

SUFFIX: Final = ".labels.yaml"
_FILE_KEYS: Final = ("right_to_within", "happened", "complete")
_HAPPENED_KEYS: Final = ("place", "to", "tell_by", "tell", "urgent", "note")
_WITHIN_S: Final = 5.0
_MS_PER_S: Final = 1000.0


class LabelError(RuleSetError):
    """Labels that cannot be used; `problems` lists everything found, in order."""


@dataclass(frozen=True, slots=True)
class When:
    """A moment: ms since 1970, or from the begin of the source."""

    ms: int
    from_begin: bool

    def at_ms(self, begins_ms: int) -> int:
        """In ms since 1970, for a source that begins then."""
        return begins_ms + self.ms if self.from_begin else self.ms


@dataclass(frozen=True, slots=True)
class Span:
    """From when to when (None: to the end), at which place (None: at the only one)."""

    place: str | None
    begins: When
    ends: When | None
    file: str
    line: int


@dataclass(frozen=True, slots=True)
class Happened:
    """Something was wrong. `tell`: it had to be told, from `tell_by` on (None: from its begin);
    `urgent`: at high priority."""

    span: Span
    kinds: frozenset[Kind]
    tell: bool
    tell_by: When | None
    urgent: bool
    note: str


@dataclass(frozen=True, slots=True)
class Labels:
    """What one file says. `complete`: nothing but `happened` was wrong in these stretches."""

    by: str
    right_to_within_s: float
    happened: tuple[Happened, ...]
    complete: bool | tuple[Span, ...]


def labels_for(sources: Iterable[Source], folder: Path | None) -> dict[str, Labels]:
    """The labels of each source that has some, by its name.

    They lie beside the source, or under the same name in `folder`, as NAME.labels.yaml.
    LabelError lists all that is wrong.
    """
    found: dict[str, Labels] = {}
    problems: list[Problem] = []
    for source in sources:
        path = _file_of(source, folder)
        if path.is_file():
            labels = read_labels(str(path), path.read_text("utf-8"), problems)
            if labels is not None:
                found[source.name] = labels
    if problems:
        raise LabelError(problems)
    return found


def _file_of(source: Source, folder: Path | None) -> Path:
    if folder is not None:
        return folder / f"{source.stem}{SUFFIX}"
    return source.path.with_name(Path(source.stem).name + SUFFIX)


def read_labels(file: str, text: str, problems: list[Problem]) -> Labels | None:
    """The labels that `text` writes; None with what is wrong added to `problems`."""
    before = len(problems)
    reader = Reader(file, problems)
    document = reader.document(text)
    keys = (
        None
        if document is None
        else reader.mapping(document, "a file of labels", ("by",), _FILE_KEYS)
    )
    if keys is None:
        return None
    by = reader.text(keys["by"], "who judged it, and from what") if "by" in keys else None
    within_s = _seconds(keys.get("right_to_within"), reader, _WITHIN_S)
    happened = [_happened(node, reader) for node in _listed(keys.get("happened"), reader)]
    complete = _complete(keys.get("complete"), reader)
    if len(problems) > before or by is None or within_s is None:
        return None
    return Labels(by, within_s, tuple(one for one in happened if one is not None), complete)


def labels_text(
    by: str, right_to_within_s: float, happened: Sequence[Mapping[str, object]], *, complete: bool
) -> str:
    """A file of labels; `happened` as they are written in it."""
    whole = {
        "by": by,
        "right_to_within": f"{right_to_within_s:g} s",
        "happened": [dict(one) for one in happened],
        "complete": complete,
    }
    out = StringIO()
    yaml = YAML(typ="safe", pure=True)
    yaml.default_flow_style = False
    yaml.sort_base_mapping_type_on_output = False  # type: ignore[assignment]
    yaml.dump(whole, out)
    return out.getvalue()


def _listed(node: Node | None, reader: Reader) -> list[Node]:
    if node is None or (isinstance(node, SequenceNode) and not node.value):
        return []
    return reader.items(node, "what happened") or []


def _happened(node: Node, reader: Reader) -> Happened | None:
    keys = reader.mapping(node, "something that happened", ("what", "from"), _HAPPENED_KEYS)
    if keys is None or not {"what", "from"} <= keys.keys():
        return None
    kinds = _kinds(keys["what"], reader)
    span = _span(node, keys, reader)
    tell_by = _when(keys["tell_by"], reader) if "tell_by" in keys else None
    note = reader.text(keys["note"], "a note") if "note" in keys else None
    tell = _flag(keys.get("tell"), reader, usual=True)
    urgent = _flag(keys.get("urgent"), reader, usual=False)
    if urgent and not tell:
        reader.problem(keys["urgent"], "what need not be told is not urgent; leave one of them out")
    if span is None:
        return None
    return Happened(span, kinds, tell, tell_by, urgent, note or "")


def _kinds(node: Node, reader: Reader) -> frozenset[Kind]:
    nodes = node.value if isinstance(node, SequenceNode) else [node]
    words = [reader.word(one, "a condition", [kind.value for kind in Kind]) for one in nodes]
    return frozenset(Kind(word) for word in words if word is not None)


def _complete(node: Node | None, reader: Reader) -> bool | tuple[Span, ...]:
    if node is None:
        return False
    if is_flag(node):
        return _flag(node, reader, usual=False)
    spans = []
    for one in reader.items(node, "stretches") or []:
        keys = reader.mapping(one, "a stretch", ("from", "to"), ("place",))
        if keys is not None and {"from", "to"} <= keys.keys():
            spans.append(_span(one, keys, reader))
    return tuple(span for span in spans if span is not None)


def _span(node: Node, keys: dict[str, Node], reader: Reader) -> Span | None:
    place = reader.text(keys["place"], "a place as ward/place") if "place" in keys else None
    begins = _when(keys["from"], reader)
    ends = _when(keys["to"], reader) if "to" in keys else None
    if begins is None:
        return None
    if ends is not None and ends.from_begin == begins.from_begin and ends.ms <= begins.ms:
        reader.problem(keys["to"], "it ends before it begins")
    return Span(place, begins, ends, reader.file, node.start_mark.line + 1)


def _when(node: Node, reader: Reader) -> When | None:
    if not isinstance(node, ScalarNode) or not str(node.value).strip():
        reader.problem(node, f"expected a time, found {kind_of(node)}")
        return None
    text = str(node.value).strip()
    if "-" not in text and ":" not in text:
        seconds = quantity_in(text, "s", node, reader)
        return None if seconds is None else When(round(_MS_PER_S * seconds), from_begin=True)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        reader.problem(
            node,
            f'"{text}" is no instant: expected one with its offset, as 2026-03-02T14:05:10Z or '
            "2026-03-02T15:05:10+01:00, or a time from the first message, as 312 s",
        )
        return None
    return When(round(_MS_PER_S * moment.timestamp()), from_begin=False)


def _seconds(node: Node | None, reader: Reader, usual: float) -> float | None:
    if node is None:
        return usual
    seconds = quantity_in(str(node.value), "s", node, reader)
    if seconds is not None and seconds < 0.0:
        reader.problem(node, "expected a time that is not negative")
        return None
    return seconds


def _flag(node: Node | None, reader: Reader, *, usual: bool) -> bool:
    if node is None:
        return usual
    if not is_flag(node):
        reader.problem(node, f"expected true or false, found {kind_of(node)}")
        return usual
    return str(node.value).casefold() == "true"
