"""Versions and hashes of rule sets."""

from __future__ import annotations

import hashlib
import itertools

import pytest
from texts import FILES

from rules.loading import load_rule_set
from rules.versions import compare_versions, content_hash, parse_version

# Semantic Versioning 2.0.0 (semver.org), section 11: the order given there as an example,
# with its further example of 1.0.0 < 2.0.0 < 2.1.0 < 2.1.1.
ORDER = [
    "1.0.0-alpha", "1.0.0-alpha.1", "1.0.0-alpha.beta", "1.0.0-beta", "1.0.0-beta.2",
    "1.0.0-beta.11", "1.0.0-rc.1", "1.0.0", "2.0.0", "2.1.0", "2.1.1",
]  # fmt: skip


def test_the_order_of_semantic_versions() -> None:
    for one, other in itertools.combinations(ORDER, 2):
        assert compare_versions(one, other) == -1
        assert compare_versions(other, one) == 1
    assert all(compare_versions(version, version) == 0 for version in ORDER)
    assert compare_versions("1.0.0+a", "1.0.0+b") == 0
    assert compare_versions("1.10.0", "1.9.0") == 1


@pytest.mark.parametrize("text", [*ORDER, "1.0.0-0.3.7+build.5", "1.0.0--"])
def test_versions_are_read_and_written_unchanged(text: str) -> None:
    assert str(parse_version(text)) == text


@pytest.mark.parametrize(
    "text", ["", "1", "1.0", "v1.0.0", "01.0.0", "1.0.0-01", "1.0.0-", "1.0.0 ", "1.0.٣", "1.0.0\n"]
)
def test_what_is_not_a_semantic_version(text: str) -> None:
    with pytest.raises(ValueError, match="semantic version"):
        parse_version(text)


def test_the_hash_is_that_of_names_and_contents() -> None:
    """Each name and content with its length in eight bytes, in the order of names."""

    def framed(text: str) -> bytes:
        return len(text).to_bytes(8, "big") + text.encode()

    wanted = hashlib.sha256(framed("a") + framed("x\ny\n") + framed("b") + framed("")).hexdigest()
    assert content_hash({"b": "", "a": "x\r\ny\r\n"}) == wanted


def test_line_ends_do_not_change_the_hash() -> None:
    windows = {name: text.replace("\n", "\r\n") for name, text in FILES.items()}
    old = {name: text.replace("\n", "\r") for name, text in FILES.items()}
    assert content_hash(windows) == content_hash(FILES) == content_hash(old)
    assert load_rule_set(windows).sha256 == load_rule_set(FILES).sha256 == content_hash(FILES)


def test_anything_else_changes_the_hash() -> None:
    changed = [
        {**FILES, "co2.yaml": FILES["co2.yaml"] + " "},
        {**FILES, "more.md": ""},
        {("other.yaml" if name == "co2.yaml" else name): text for name, text in FILES.items()},
        {"ab": "c", "d": ""},
        {"a": "bc", "d": ""},
        {"a": "b", "cd": ""},
    ]
    hashes = {content_hash(files) for files in (FILES, *changed)}
    assert len(hashes) == 7
