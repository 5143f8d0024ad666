"""`tidewarden serve`: how it ends, and what it says when it cannot begin."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from end_to_end.clients import Observer, Publisher, wait_for
from end_to_end.hand_written import HandDevice, quantity
from end_to_end.service_process import ServiceProcess, none_left_running, run_command
from end_to_end.store_facts import StoreFacts

ORDERLY_END_S = 3.0


@pytest.fixture(scope="module")
def broker(mosquitto, tmp_path_factory: pytest.TempPathFactory):
    running = mosquitto(tmp_path_factory.mktemp("broker"))
    yield running
    running.kill()


def test_sigterm_ends_it_in_order(broker, tmp_path: Path) -> None:
    service = ServiceProcess(tmp_path, broker.port)
    service.start()
    with Publisher(broker.port, "device") as publisher:
        device = HandDevice(publisher)
        for _ in range(5):
            device.send("numerics", values={"etco2": quantity(40, "mm[Hg]")})
        publisher.settle()
    # At once: what is under way must still be kept.
    code, seconds = service.terminate()
    assert code == 0
    assert seconds < ORDERLY_END_S
    store = StoreFacts(service.store)
    assert store.problems() == []
    service.start()
    wait_for(lambda: store.count("messages") == 5, 5, "the rest of the messages after a restart")
    assert service.terminate()[0] == 0


def test_what_is_decided_last_is_published_before_an_orderly_end(broker, tmp_path: Path) -> None:
    service = ServiceProcess(tmp_path, broker.port)
    service.start()
    topic = f"tidewarden/1/service/{service.instance}/rejected"
    with (
        Publisher(broker.port, "device") as publisher,
        Observer(broker.port, [topic], "observer") as observer,
    ):
        device = HandDevice(publisher)
        for number in range(200):
            device.send_raw("numerics", b"no reading %d" % number)
        wait_for(lambda: observer.received, 5, "the first answer")
        assert service.terminate()[0] == 0
        store = StoreFacts(service.store)
        decided = store.rows("select payload_sha256 from quarantine")
        assert store.count("outbox") == 0
        wait_for(lambda: len(observer.received) >= len(decided), 5, "every answer")
        answered = [message.body["sha256"] for message in observer.received]
        assert sorted(answered) == sorted(digest for (digest,) in decided)


def test_a_test_that_fails_leaves_no_service_running(tmp_path: Path) -> None:
    service = ServiceProcess(tmp_path, 9)

    def failing() -> None:
        with none_left_running():
            service.start(connected=False)
            raise AssertionError("a test fails")

    with pytest.raises(AssertionError, match="a test fails"):
        failing()
    with pytest.raises(ProcessLookupError):
        os.kill(service.pid, 0)


def test_sigterm_ends_it_while_it_waits_for_the_broker(tmp_path: Path) -> None:
    service = ServiceProcess(tmp_path, 9)  # the discard port: nobody listens there
    service.start(connected=False)
    service.wait_for_log("broker cannot be reached")
    code, seconds = service.terminate()
    assert code == 0
    assert seconds < ORDERLY_END_S


def test_sigterm_ends_it_while_the_broker_is_gone(mosquitto, tmp_path: Path) -> None:
    lost = mosquitto(tmp_path / "broker")
    service = ServiceProcess(tmp_path / "service", lost.port)
    service.start()
    lost.kill()
    service.wait_for_log("connection to broker lost")
    code, seconds = service.terminate()
    assert code == 0
    assert seconds < ORDERLY_END_S


def test_a_second_service_on_the_same_store_is_refused(broker, tmp_path: Path) -> None:
    service = ServiceProcess(tmp_path, broker.port, instance="first")
    service.start()
    second = run_command("serve", "--config", service.config)
    assert second.returncode == 2
    assert "another Tidewarden service is writing this store" in second.stderr
    assert "Traceback" not in second.stderr
    assert service.terminate()[0] == 0


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("[broker]\nport = 70000\n", "broker.port"),
        ("[broker]\nhots = 'x'\n", "broker.hots"),
        ("[service]\ninstance = 'a b'\n", "service.instance"),
        ("[rules]\nengine = 'fast'\n", "rules.engine"),
        ("[places]\naccept = ['bay-1']\n", "places.accept"),
        ("[broker]\nusername = 'u'\npassword_env = 'TIDEWARDEN_NOT_SET'\n", "broker.password_env"),
        ("[broker]\npassword_env = 'P'\n", "password_env"),
        ("[store\n", "tidewarden.toml"),
        ("[rules]\nuse = 'no-such-rules@1.0.0'\n", "no-such-rules@1.0.0"),
    ],
)
def test_a_wrong_configuration_names_the_key(tmp_path: Path, text: str, names: str) -> None:
    config = tmp_path / "tidewarden.toml"
    config.write_text(text)
    ended = run_command("serve", "--config", config)
    assert ended.returncode == 2
    assert names in ended.stderr
    assert "Traceback" not in ended.stderr


def test_a_configuration_that_is_not_there_is_named(tmp_path: Path) -> None:
    ended = run_command("serve", "--config", tmp_path / "none.toml")
    assert ended.returncode == 2
    assert "none.toml" in ended.stderr
