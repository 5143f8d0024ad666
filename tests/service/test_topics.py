"""Which topics are messages to Tidewarden, and what is said about the others."""

from __future__ import annotations

import pytest

from service.messages import KINDS, RefusalError, split_topic


@pytest.mark.parametrize("kind", KINDS)
def test_ward_place_and_kind(kind: str) -> None:
    assert split_topic(f"tidewarden/1/recovery/bay-1/{kind}") == ("recovery", "bay-1", kind)


@pytest.mark.parametrize("name", ["a", "A_b.c~d-9", "w" * 64])
def test_plain_names(name: str) -> None:
    assert split_topic(f"tidewarden/1/{name}/{name}/numerics") == (name, name, "numerics")


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "numerics",
        "tidewarden/1/ward/bed",
        "tidewarden/1/ward//numerics",
        "tidewarden/1//bed/numerics",
        "tidewarden/1/ward/bed/numerics/",
        "/tidewarden/1/ward/bed/numerics",
        "tidewarden/2/ward/bed/numerics",
        "tidewarden/01/ward/bed/numerics",
        "Tidewarden/1/ward/bed/numerics",
        "tidewarden/1/ward/bed/Numerics",
        "tidewarden/1/ward/bed/numerics\n",
        "tidewarden/1/ward/bed 1/numerics",
        "tidewarden/1/ward/+/numerics",
        "tidewarden/1/ward/#",
        "tidewarden/1/ward/b\x00d/numerics",
        "tidewarden/1/ward/böd/numerics",
        "tidewarden/1/ward/\ud800/numerics",
        f"tidewarden/1/ward/{'b' * 65}/numerics",
        "tidewarden/1/a/ward/bed/numerics",
    ],
)
def test_other_topics(topic: str) -> None:
    with pytest.raises(RefusalError, match=r"topic: expected tidewarden/1/WARD/PLACE/KIND"):
        split_topic(topic)


@pytest.mark.parametrize("kind", ["advisory", "standing", "derived", "reply", "ecg"])
def test_a_kind_that_is_not_inbound(kind: str) -> None:
    with pytest.raises(RefusalError, match=f"topic: kind '{kind}' is not one of numerics, "):
        split_topic(f"tidewarden/1/ward/bed/{kind}")
