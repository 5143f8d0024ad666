"""A translation is taken whole, or refused by name."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from adapters.texts import TextsError, say, speak, texts


@pytest.fixture(autouse=True)
def _english_again() -> Iterator[None]:
    yield
    speak(None)


def _file(tmp_path: Path, content: Any) -> Path:
    path = tmp_path / "xx.json"
    path.write_text(content if isinstance(content, str) else json.dumps(content), "utf-8")
    return path


def test_what_is_translated_is_spoken_and_the_rest_stays_english(tmp_path: Path) -> None:
    assert say("mass_g", mass=3) == "3 g"
    speak(_file(tmp_path, {"language": "nb", "mass_g": "{mass} gram"}))
    assert say("mass_g", mass=3) == "3 gram"
    assert say("ward_title") == "Ward at a glance"
    assert texts()["mass_g"] == "{mass} gram"
    speak(None)
    assert say("mass_g", mass=3) == "3 g"


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("{", "xx.json: Expecting"),
        ([], "expected an object"),
        ({"language": "nb", "mas_g": "x"}, "mas_g: there is no such text"),
        (
            {"language": "nb", "mass_g": "{masse} gram"},
            "mass_g: expected the blanks {mass}, not masse",
        ),
        (
            {"language": "nb", "mass_g": "{mass gram"},
            "mass_g: expected the blanks {mass}, not unreadable",
        ),
        ({"language": "nb", "mass_g": "  "}, "mass_g: expected a text"),
        ({"language": "nb", "mass_g": 3}, "mass_g: expected a text"),
        ({"mass_g": "{mass} gram"}, "language: say which it is"),
    ],
)
def test_what_cannot_be_used_is_named_and_changes_nothing(
    tmp_path: Path, content: Any, said: str
) -> None:
    with pytest.raises(TextsError) as caught:
        speak(_file(tmp_path, content))
    assert said in str(caught.value)
    assert say("mass_g", mass=3) == "3 g"


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(TextsError, match=r"nowhere\.json"):
        speak(tmp_path / "nowhere.json")
