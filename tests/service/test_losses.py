"""Messages lost against those that came. Worked by hand; there is no outside source."""

from __future__ import annotations

import pytest

from service.losses import Losses


def _heard(seconds: int, per_s: int, losses: Losses | None = None, from_s: int = 0) -> Losses:
    losses = losses or Losses()
    for second in range(from_s, from_s + seconds):
        for at in range(per_s):
            losses.take(1000 * second + 100 * at, 0)
    return losses


def test_the_share_is_of_all_that_were_sent() -> None:
    losses = _heard(59, 9)
    losses.take(59_000, 12)
    assert losses.lost(59_000) == 12
    assert losses.share(59_000) == pytest.approx(12 / (59 * 9 + 1 + 12))


def test_a_late_one_is_no_longer_missing() -> None:
    losses = _heard(10, 1)
    losses.take(10_000, 2)
    losses.take(10_100, -1)
    losses.take(10_200, -1)
    assert losses.lost(10_200) == 0
    assert losses.share(10_200) == 0.0


def test_after_a_minute_it_is_over() -> None:
    losses = _heard(10, 5)
    losses.take(10_000, 30)
    _heard(70, 5, losses, from_s=11)
    assert losses.lost(70_100) == 0
    assert losses.share(70_100) == 0.0
    losses.forget(70_100)
    assert not losses.missing
    assert losses.came[0][0] >= 10


def test_nothing_heard_is_no_share() -> None:
    assert Losses().share(60_000) is None
    assert _heard(1, 1).share(120_000) is None
