"""The broker's configuration as it comes with Tidewarden: accepted whole, and worth its lines."""

from __future__ import annotations

import re
import time
from pathlib import Path

import pytest
from end_to_end.clients import Observer, Publisher
from end_to_end.mosquitto import BrokerFailedError, Mosquitto, settings_for, shipped_settings

#: More than the 1,000 that Mosquitto keeps for an absent subscriber when nothing is set.
BURST = 3000
TOPIC = "tidewarden/1/w/p/numerics"


def _settings(text: str) -> list[str]:
    return [line for line in text.splitlines() if line and not line.startswith("#")]


def test_the_tests_run_on_the_shipped_settings(tmp_path: Path) -> None:
    shipped = _settings(shipped_settings())
    used = _settings(settings_for(shipped_settings(), 12345, tmp_path))
    differing = [line.split()[0] for line in shipped if line not in used]
    assert differing == ["listener", "persistence_location"]
    assert len(used) == len(shipped) + 1


def test_mosquitto_accepts_every_setting(mosquitto, tmp_path: Path) -> None:
    broker = mosquitto(tmp_path)
    with Publisher(broker.port, "anyone") as publisher:
        publisher.publish(1, TOPIC, b"{}")
        publisher.settle()


def test_mosquitto_refuses_a_setting_it_does_not_know(require_tool, tmp_path: Path) -> None:
    text = shipped_settings().replace("max_queued_messages", "max_queued_mesages")
    with pytest.raises(BrokerFailedError, match="max_queued_mesages"):
        Mosquitto(require_tool("mosquitto"), tmp_path, text).start()


def _kept_for_an_absent_subscriber(broker: Mosquitto) -> int:
    Observer(broker.port, [TOPIC], "absent", lasting=True).close()
    with Publisher(broker.port, "burst") as publisher:
        for number in range(BURST):
            publisher.publish(number, TOPIC, b"%d" % number)
        publisher.settle()
    with Observer(broker.port, [TOPIC], "absent", lasting=True) as back:
        seen = -1
        while seen < len(back.received):
            seen = len(back.received)
            time.sleep(0.5)
        return seen


def test_a_burst_for_an_absent_service_is_kept(mosquitto, tmp_path: Path) -> None:
    assert _kept_for_an_absent_subscriber(mosquitto(tmp_path)) == BURST


def test_without_our_settings_a_burst_is_lost_though_acknowledged(
    require_tool, tmp_path: Path
) -> None:
    text = re.sub(r"(?m)^max_(queued|inflight)_.*$", "", shipped_settings())
    broker = Mosquitto(require_tool("mosquitto"), tmp_path, text)
    broker.start()
    try:
        assert _kept_for_an_absent_subscriber(broker) < BURST
    finally:
        broker.kill()
