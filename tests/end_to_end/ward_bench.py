"""A ward on a real broker, told by hand, and the process of the pages that shows it."""

from __future__ import annotations

import json
import os
import re
import subprocess
import threading
import time
from pathlib import Path
from typing import Any

from end_to_end.clients import Publisher
from end_to_end.service_process import tidewarden

from adapters.tcp import can_connect, free_port
from service.instants import to_text

HEALTH_TOPIC = "tidewarden/1/service/watch/health"


class PagesProcess:
    """`tidewarden pages` beside a broker; `settings` are further lines of its [pages].

    `hidden` is a folder with a `sitecustomize.py` that hides what is installed.
    """

    def __init__(
        self,
        folder: Path,
        broker_port: int,
        settings: str = "",
        store: Path | None = None,
        hidden: Path | None = None,
    ) -> None:
        paths = [str(hidden or ""), os.environ.get("PYTHONPATH", "")]
        self._env = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, paths))}
        self.port, self.broker_port = free_port("127.0.0.1"), broker_port
        self._config = folder / "pages.toml"
        self._config.write_text(
            f"[broker]\nport = {broker_port}\n"
            f'[store]\ndirectory = "{store or folder / "store"}"\n'
            f"[pages]\nport = {self.port}\n{settings}",
            "utf-8",
        )
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        """Where a browser finds it."""
        return f"http://127.0.0.1:{self.port}/"

    def start(self) -> None:
        """Start it, and wait until it answers."""
        self.process = subprocess.Popen(
            [tidewarden(), "pages", "--config", str(self._config)],
            stdout=subprocess.DEVNULL,
            env=self._env,
        )
        until = time.monotonic() + 30.0
        while not can_connect("127.0.0.1", self.port, 0.2):
            assert time.monotonic() < until, "the pages do not answer"
            time.sleep(0.05)

    def stop(self) -> None:
        """Kill it, if it runs."""
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()


class ToldWard:
    """Places that say what a test wants. Readings and the heartbeat go on by themselves."""

    def __init__(self, port: int) -> None:
        self._publisher = Publisher(port, "told-ward")
        self._seq = 0
        self._key = 0
        self.values: dict[str, dict[str, float]] = {}
        self.beating = True
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._go_on)
        self._lock = threading.Lock()

    def __enter__(self) -> ToldWard:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self._publisher.close()

    def patient(self, place: str, species: str = "hedgehog", grams: float = 410.0) -> None:
        """Somebody lies there; its readings begin."""
        body = {"patient": place.title(), "species": species, "class": "mammal",
                "mass": {"value": grams, "unit": "g"}, "phase": "maintenance"}  # fmt: skip
        self._send(place, "patient", body, retain=True)
        self.values[place] = {"etco2": 38.0, "spo2": 98.0}

    def standing(self, place: str, *advisories: dict[str, Any]) -> None:
        """What stands there from now on."""
        body = {"schema": 1, "at": to_text(_now_ms()), "paused": None, "problems": [],
                "standing": list(advisories)}  # fmt: skip
        self._publish(f"tidewarden/1/ward/{place}/standing", body, retain=True)

    def usual(self, place: str, **values: tuple[float, str]) -> None:
        """What is usual there from now on, each a value with its unit."""
        told = {name: {"value": value, "unit": unit} for name, (value, unit) in values.items()}
        body = {"schema": 1, "at": to_text(_now_ms()), "values": told}
        self._publish(f"tidewarden/1/ward/{place}/usual", body, retain=True)

    def numerics(self, place: str, **values: float) -> None:
        """One reading at once."""
        units = {"etco2": "mm[Hg]", "spo2": "%"}
        quantities = {name: {"value": v, "unit": units[name]} for name, v in values.items()}
        self._send(place, "numerics", {"values": quantities})

    def wave(self, place: str, block: int) -> None:
        """A second of pressure, the `block`th from now on: one breath from 0 to 9 cmH2O."""
        samples = [9.0 * min(at, 25) / 25 if at < 30 else 0.0 for at in range(50)]
        body = {"channel": "paw", "unit": "cm[H2O]", "rate_hz": 50.0, "samples": samples}
        self._send(place, "waveform", {"at": to_text(_now_ms() + 1000 * block), **body})

    def co2_wave(self, place: str) -> None:
        """A second of CO2, beginning now: half a breath of 40 mmHg."""
        samples = [40.0 if at >= 25 else 0.0 for at in range(50)]
        body = {"channel": "co2", "unit": "mm[Hg]", "rate_hz": 50.0, "samples": samples}
        self._send(place, "waveform", {"at": to_text(_now_ms()), **body})

    def offline(self) -> None:
        """What the broker says for a service that was killed."""
        self.beating = False
        self._publish(HEALTH_TOPIC, {"schema": 1, "status": "offline"}, retain=True)

    def _go_on(self) -> None:
        while not self._stop.wait(0.5):
            if self.beating:
                self._publish(HEALTH_TOPIC, {"schema": 1, "status": "online"}, retain=True)
            for place, values in list(self.values.items()):
                self.numerics(place, **values)

    def _send(self, place: str, kind: str, body: dict[str, Any], *, retain: bool = False) -> None:
        with self._lock:
            self._seq += 1
            envelope = {"schema": 1, "device": "told", "epoch": "1", "seq": self._seq,
                        "at": to_text(_now_ms())}  # fmt: skip
        self._publish(f"tidewarden/1/ward/{place}/{kind}", {**envelope, **body}, retain=retain)

    def _publish(self, topic: str, body: dict[str, Any], *, retain: bool = False) -> None:
        with self._lock:
            self._key += 1
            self._publisher.publish(self._key, topic, json.dumps(body).encode(), retain=retain)


def advisory(
    rule: str, priority: str, says: str, *, since_s: float = 60.0, look: str = "Look at the tube."
) -> dict[str, Any]:
    """An advisory as it is published in `standing`, as far as a card needs it."""
    return {
        "id": f"id-{rule}", "rule": rule, "priority": priority, "state": "raised",
        "patient": None, "acknowledged_by": None, "title": re.sub("-", " ", rule), "says": says,
        "look_at": [look], "raised_at": to_text(_now_ms() - round(1000 * since_s)),
        "returned_at": None, "outranked_by": None, "because": "No inflation came.",
        "may_be": [{"cause": "circuit", "title": "the circuit has come off", "look": "Follow it.",
                    "fits": ["no pressure"], "against": [], "undecided": []}],
        "evidence": [{"fact": "etco2", "clause": "no inflation for 3 breaths", "value": 3.4,
                      "limit": "x", "limit_value": 3.0}],
        "clears_when": "an inflation comes", "caution": "", "uncertainty": [],
        "source": {"ref": "a standard", "confidence": "published"},
    }  # fmt: skip


def _now_ms() -> int:
    return time.time_ns() // 1_000_000
