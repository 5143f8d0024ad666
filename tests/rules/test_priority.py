"""Priority follows from harm and onset."""

from __future__ import annotations

import pytest

from rules.priority import Harm, Onset, Priority, priority_of

# IEC 60601-1-8:2006+A1:2012+A2:2020, Table 1, from memory; "low or none" is taken as low.
TABLE_1 = """
death or irreversible injury | immediate | high
death or irreversible injury | prompt    | high
death or irreversible injury | delayed   | medium
reversible injury            | immediate | high
reversible injury            | prompt    | medium
reversible injury            | delayed   | low
minor injury or discomfort   | immediate | medium
minor injury or discomfort   | prompt    | low
minor injury or discomfort   | delayed   | low
"""
ROWS = [tuple(cell.strip() for cell in row.split("|")) for row in TABLE_1.strip().splitlines()]


@pytest.mark.parametrize(("harm", "onset", "priority"), ROWS)
def test_table_1_of_iec_60601_1_8(harm: str, onset: str, priority: str) -> None:
    assert priority_of(Harm(harm), Onset(onset)) is Priority(priority)


def test_the_table_is_whole() -> None:
    assert {(row[0], row[1]) for row in ROWS} == {(harm, onset) for harm in Harm for onset in Onset}


def test_ranks_order_the_priorities() -> None:
    assert sorted(Priority, key=lambda priority: priority.rank, reverse=True) == [
        Priority.HIGH,
        Priority.MEDIUM,
        Priority.LOW,
    ]


def test_the_mark_tells_the_priority_without_its_colour() -> None:
    assert [priority.mark for priority in Priority] == ["!!!", "!! ", "!  "]
