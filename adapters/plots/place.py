"""Everything that the page of one place shows, cut out of a replay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from adapters.plots.advisories import Stretch, stretches
from adapters.plots.recorded import PlaceRecord
from adapters.plots.waves import Block, joined

Row = dict[str, Any]
#: Where time zero lies on the time axis: Plotly reads small numbers on a time axis as years, so a
#: whole day is added, which a clock does not show.
ORIGIN_S: Final = 86_400.0


@dataclass(slots=True)
class PlaceView:
    """One place. All times in s since 1970 but for `duration_s`; rows as in the CSV files."""

    name: str
    begins_s: float
    duration_s: float
    waves: dict[str, list[Block]]
    record: PlaceRecord
    breaths: list[Row] = field(default_factory=list)
    capnogram: list[Row] = field(default_factory=list)
    advisories: list[Stretch] = field(default_factory=list)

    @property
    def ends_s(self) -> float:
        """End of the recording (s since 1970)."""
        return self.begins_s + self.duration_s

    @property
    def zero_s(self) -> float:
        """What the time axis counts from."""
        return self.begins_s - ORIGIN_S

    def ms(self, at_s: float) -> float:
        """Where a moment lies on the time axis (ms)."""
        return round((at_s - self.zero_s) * 1000.0, 1)


def place_view(
    name: str,
    record: PlaceRecord,
    between_s: tuple[float, float],
    breaths: Sequence[Row],
    capnogram: Sequence[Row],
    events: Sequence[Row],
) -> PlaceView:
    """The rows and events of one place, and its waves in order."""
    begins_s, ends_s = between_s
    return PlaceView(
        name=name,
        begins_s=begins_s,
        duration_s=ends_s - begins_s,
        waves={channel: joined(blocks) for channel, blocks in record.blocks.items()},
        record=record,
        breaths=_ours(breaths, name),
        capnogram=_ours(capnogram, name),
        advisories=stretches(events, name),
    )


def _ours(rows: Sequence[Row], name: str) -> list[Row]:
    return sorted((row for row in rows if row["place"] == name), key=lambda row: row["start_s"])
