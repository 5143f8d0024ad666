"""The pages of a replay: nothing of a signal is lost, and nothing of a page asks the network."""

from __future__ import annotations

import base64
import importlib.util
import json
import math
import re
from array import array
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from adapters.cli.main import main
from adapters.plots import Recorded, write_plots
from adapters.plots.waves import Block, joined, packed, peak_s, thinned
from adapters.recordings import Line, write_recording
from adapters.replay import Replayed, replay_recordings
from adapters.rule_files import DEFAULT_RULES, load_rules
from service.instants import from_text, to_text

NAN = math.nan
START_MS = from_text("2026-11-25T13:00:00Z")
SAMPLES = st.lists(st.floats(-60, 60, width=32) | st.just(NAN), min_size=1, max_size=400)


def _block(start_s: float, values: list[float], rate_hz: float = 100.0) -> Block:
    return Block(start_s, rate_hz, array("f", values))


def _known(values: Any) -> list[float]:
    return [value for value in values if not math.isnan(value)]


# -- waves ------------------------------------------------------------------------------------


@given(SAMPLES, st.integers(2, 60))
def test_thinning_keeps_the_lowest_and_the_highest_of_each_stretch(
    values: list[float], most: int
) -> None:
    whole = _block(0.0, values)
    (thin,) = thinned([whole], most)
    if len(values) <= most:
        assert thin is whole
        return
    size = round(2 * whole.rate_hz / thin.rate_hz)
    for at in range(0, len(values), size):
        part = _known(whole.values[at : at + size])
        kept = _known(thin.values[2 * at // size : 2 * at // size + 2])
        assert bool(part) == bool(kept)
        if part:
            assert (min(kept), max(kept)) == (min(part), max(part))
    assert len(thin.values) <= most + 2


@given(SAMPLES)
def test_packing_keeps_each_sample_to_half_a_step(values: list[float]) -> None:
    whole = _block(50.0, values)
    body = packed([whole], 40.0)
    numbers = array("h", base64.b64decode(body["data"]))
    assert body["runs"] == [[10_000.0, 10.0, len(values)]]
    for number, value in zip(numbers, whole.values, strict=True):
        if math.isnan(value):
            assert number == -32_768
        else:
            assert number * body["step"] == pytest.approx(value, abs=0.51 * body["step"])


def test_blocks_join_in_order_of_time_and_a_lost_one_leaves_a_gap() -> None:
    blocks = [_block(1.0, [3.0] * 50), _block(0.5, [2.0] * 50), _block(2.0, [4.0] * 50)]
    runs = joined(blocks)
    assert [(run.start_s, len(run.values)) for run in runs] == [(0.5, 100), (2.0, 50)]
    assert list(runs[0].values) == [2.0] * 50 + [3.0] * 50


def test_the_peak_is_where_the_highest_known_sample_lies() -> None:
    run = _block(0.0, [NAN, 1.0, 9.0, NAN, 5.0, 30.0])
    assert peak_s([run], 0.0, 0.04) == pytest.approx(0.02)
    assert peak_s([run], 7.0, 8.0) is None
    # The end belongs to it, although 1.8e9 + 0.05 is a little less in binary.
    late = _block(1.8e9, [1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    assert peak_s([late], 1.8e9, 1.8e9 + 0.05 - 1e-6) == pytest.approx(1.8e9 + 0.05, abs=1e-4)


# -- pages ------------------------------------------------------------------------------------


def _lines(
    seconds: int, *, flow: bool = False, patient: str = "Ebb", pip_cmh2o: float = 12.0
) -> list[Line]:
    """A place with a square breath a second, for its first 0.4 s."""
    sent: list[dict[str, Any]] = [
        {"kind": "patient", "patient": patient, "species": "cat", "class": "mammal",
         "mass": {"value": 600, "unit": "g"}, "phase": "maintenance"},
    ]  # fmt: skip
    for second in range(seconds):
        wave = {"kind": "waveform", "second": second}
        paw = [pip_cmh2o if at < 40 else 0.0 for at in range(100)]
        sent.append({**wave, "channel": "paw", "unit": "cm[H2O]", "rate_hz": 100, "samples": paw})
        if flow:
            sent.append(
                {**wave, "channel": "flow", "unit": "mL/s", "rate_hz": 20, "samples": [1.0] * 20}
            )
        spo2 = {"values": {"spo2": {"value": 97, "unit": "%"}}}
        sent.append({"kind": "numerics", "second": second, **spo2})
    return [_line(seq, body) for seq, body in enumerate(sent)]


def _line(seq: int, body: dict[str, Any]) -> Line:
    kind, second = body.pop("kind"), body.pop("second", 0)
    at_ms = START_MS + 1000 * second
    payload = {"schema": 1, "device": "d", "epoch": "1", "seq": seq, "at": to_text(at_ms), **body}
    return Line(at_ms + 1010, f"tidewarden/1/theatre/2/{kind}", payload)


def _replayed(lines: list[Line], folder: Path) -> tuple[Replayed, Recorded]:
    write_recording(folder / "r.jsonl", lines)
    recorded = Recorded()
    return replay_recordings([folder / "r.jsonl"], load_rules(DEFAULT_RULES), recorded), recorded


def _page(lines: list[Line], folder: Path) -> str:
    result, recorded = _replayed(lines, folder)
    (path,) = write_plots(result, recorded, folder / "plots")
    assert path.name == "theatre+2.html"
    return path.read_text(encoding="utf-8")


def _json(page: str, element: str) -> Any:
    found = re.search(rf'<script type="application/json" id="{element}">(.*?)</script>', page, re.S)
    assert found is not None
    return json.loads(found[1])


def _titles(figure: dict[str, Any]) -> list[str]:
    layout = figure["layout"]
    axes = [axis for name, axis in layout.items() if name.startswith("yaxis")]
    return [axis["title"]["text"] for axis in axes if "title" in axis]


def test_a_page_shows_signals_breaths_facts_and_what_it_is_not(tmp_path: Path) -> None:
    result, recorded = _replayed(_lines(20, flow=True), tmp_path)
    (path,) = write_plots(result, recorded, tmp_path / "plots")
    page = path.read_text(encoding="utf-8")
    figure = _json(page, "figure")
    assert set(_titles(figure)) >= {
        "Airway pressure<br>cmH2O", "Flow<br>mL/s", "Ti, s", "RR, /min", "SpO2, %",
    }  # fmt: skip
    pips = [trace for trace in figure["data"] if str(trace.get("name", "")).startswith("PIP")]
    assert [len(trace["x"]) for trace in pips] == [len(result.breaths)]
    assert len(result.breaths) >= 15
    assert "It never replaces the device&#x27;s own alarms" in page
    assert "Ebb: cat, 600 g" in page
    assert set(_json(page, "waves")) == {"paw", "flow"}


def test_the_samples_are_those_of_accepted_messages(tmp_path: Path) -> None:
    lines = _lines(6)
    refused = next(line for line in lines if line.payload.get("channel") == "paw")
    refused.payload["unit"] = "furlong"
    page = _page(lines, tmp_path)
    runs = _json(page, "waves")["paw"]["runs"]
    # Five of six blocks; one that was refused is a hole at the start, not a line of zeros.
    assert [count for _, _, count in runs] == [500]


def test_every_advisory_is_told_with_rule_priority_and_text(tmp_path: Path) -> None:
    result, recorded = _replayed(_lines(20, pip_cmh2o=40.0), tmp_path)
    raised = [body for body in result.events if body["event"] == "raised"]
    assert [body["rule"] for body in raised] == ["pip-over-limit"]
    (path,) = write_plots(result, recorded, tmp_path / "plots")
    page = path.read_text(encoding="utf-8")
    table = page[page.index("<h2>Advisories") :]
    for body in raised:
        assert body["rule"] in table
        assert body["says"].replace("'", "&#x27;") in table
        assert body["priority"] in table


def test_names_from_the_wire_cannot_become_markup(tmp_path: Path) -> None:
    name = "</script><script>alert(1)</script><img src=x onerror=alert(2)>"
    lines = [line for line in _lines(6) if line.payload["seq"] > 0]
    page = _page([*_lines(6, patient=name)[:1], *lines], tmp_path)
    assert "<img src=x" not in page
    assert "alert(1)</script>" not in page


def test_words_of_rules_and_kinds_cannot_become_markup(tmp_path: Path) -> None:
    result, recorded = _replayed(_lines(20, pip_cmh2o=40.0), tmp_path)
    hostile = "</script><script>alert(1)</script>"
    for body in result.events:
        body["says"] = body["because"] = body["rule"] = hostile
    for row in result.breaths:
        row["kind"] = hostile
    (path,) = write_plots(result, recorded, tmp_path / "plots")
    assert "<script>alert(1)" not in path.read_text(encoding="utf-8")


def test_a_page_asks_the_network_for_nothing(tmp_path: Path) -> None:
    page = _page(_lines(6), tmp_path)
    own = re.sub(r"<script>.*?</script>", "", page, flags=re.S)
    # CSP: `default-src 'none'` forbids whatever the library might try (W3C, CSP level 3).
    assert "default-src 'none'" in own
    assert "connect-src" not in own
    assert not re.search(r"""(src|href|action)\s*=\s*["']?(https?:)?//""", own)
    assert "modeBarButtons: [[" in page, "Plotly's own bar has a button that uploads the picture"


def test_an_hour_stays_near_ten_megabytes(tmp_path: Path) -> None:
    result, recorded = _replayed(_lines(3), tmp_path)
    place = recorded.places["theatre/2"]
    wave = array("f", (10.0 * math.sin(at / 30.0) for at in range(3600 * 200)))
    for channel, rate_hz in (("paw", 200.0), ("flow", 200.0), ("co2", 25.0)):
        count = int(3600 * rate_hz)
        place.blocks[channel] = [Block(START_MS / 1000.0, rate_hz, wave[:count])]
    result.ends_ms = START_MS + 3_600_000
    (path,) = write_plots(result, recorded, tmp_path / "plots")
    assert path.stat().st_size < 10.0e6
    assert "every sample is drawn" in path.read_text(encoding="utf-8")
    # Ten hours stay as small; the page says that they are thinned.
    for channel, (block,) in place.blocks.items():
        place.blocks[channel] = [Block(block.start_s, block.rate_hz * 1.0, block.values * 3)]
    (path,) = write_plots(result, recorded, tmp_path / "plots")
    assert path.stat().st_size < 10.5e6
    assert "lowest and highest sample" in path.read_text(encoding="utf-8")


def test_tidal_volume_is_drawn_with_its_interval_where_rows_carry_one(tmp_path: Path) -> None:
    result, recorded = _replayed(_lines(12), tmp_path)
    for row in result.breaths:
        row["tidal_volume_ml"] = 6.0
        row |= {"tidal_volume_low_ml": 5.0, "tidal_volume_high_ml": 8.0}
    result.breaths[0] |= {"tidal_volume_low_ml": None, "tidal_volume_high_ml": None}
    (path,) = write_plots(result, recorded, tmp_path / "plots")
    figure = _json(path.read_text(encoding="utf-8"), "figure")
    (trace,) = [trace for trace in figure["data"] if "error_y" in trace]
    assert trace["error_y"]["array"][:2] == [0.0, 2.0]
    assert trace["error_y"]["arrayminus"][:2] == [0.0, 1.0]


def test_without_the_library_the_fix_is_named_before_any_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name: None if name == "plotly" else found(name)
    )
    write_recording(tmp_path / "r.jsonl", _lines(3))
    arguments = ["replay", str(tmp_path / "r.jsonl"), "--out", str(tmp_path / "out")]
    done = CliRunner().invoke(main, [*arguments, "--plots"])
    assert done.exit_code == 2
    assert "pip install 'tidewarden[plots]'" in done.output
    assert not (tmp_path / "out").exists()
    # Without --plots nothing is missing.
    assert CliRunner().invoke(main, arguments).exit_code == 0
