"""The configuration file: what may be left out, and errors that name file and key."""

from __future__ import annotations

from pathlib import Path

import pytest

from adapters.config import Config, ConfigError, read_config
from adapters.rule_files import DEFAULT_RULES

WHOLE = """\
[service]
instance = "ward-a"

[broker]
host = "broker.example"
port = 8883
client_id = "tidewarden-a"
username = "tidewarden"
password_env = "TIDEWARDEN_TEST_PASSWORD"
ca_file = "/etc/ssl/ca.pem"

[store]
directory = "/var/lib/tidewarden"

[rules]
use = "small-animal-ventilation@0.1.0"
engine = "plain"

[places]
accept = ["recovery/bay-1", "recovery/bay-2"]
"""


def write(folder: Path, text: str) -> Path:
    """A configuration file with this text."""
    path = folder / "tidewarden.toml"
    path.write_text(text, encoding="utf-8")
    return path


def error(folder: Path, text: str) -> str:
    """Why this text is no configuration."""
    path = write(folder, text)
    with pytest.raises(ConfigError) as caught:
        read_config(path)
    assert str(caught.value).startswith(f"{path}: ")
    return str(caught.value).removeprefix(f"{path}: ")


def test_everything_may_be_left_out(tmp_path: Path) -> None:
    config = read_config(write(tmp_path, ""))
    assert config == Config()
    assert config.rules.use == DEFAULT_RULES
    assert config.places.accept is None
    assert (config.broker.host, config.broker.port) == ("127.0.0.1", 1883)


def test_everything_may_be_given(tmp_path: Path) -> None:
    config = read_config(write(tmp_path, WHOLE))
    assert config.service.instance == "ward-a"
    assert config.store.directory == Path("/var/lib/tidewarden")
    assert config.rules.engine == "plain"
    assert config.places.accept == ["recovery/bay-1", "recovery/bay-2"]


def test_the_password_comes_from_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    config = read_config(write(tmp_path, WHOLE))
    monkeypatch.setenv("TIDEWARDEN_TEST_PASSWORD", "not in any file")
    address = config.broker_address()
    assert (address.username, address.password) == ("tidewarden", "not in any file")
    assert (address.host, address.port, address.client_id) == (
        "broker.example",
        8883,
        "tidewarden-a",
    )
    assert address.ca_file == Path("/etc/ssl/ca.pem")


def test_a_password_that_is_not_there_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("TIDEWARDEN_TEST_PASSWORD", raising=False)
    config = read_config(write(tmp_path, WHOLE))
    with pytest.raises(ConfigError, match=r"broker\.password_env: .*TIDEWARDEN_TEST_PASSWORD"):
        config.broker_address()


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("[broker]\nport = 0", "broker.port: "),
        ("[broker]\nport = 65536", "broker.port: "),
        ('[broker]\nport = "many"', "broker.port: "),
        ("[broker]\nprot = 1883", "broker.prot: "),
        ('[broker]\nclient_id = ""', "broker.client_id: "),
        ("[broker]\nhost = 5", "broker.host: "),
        ('[broker]\npassword = "secret"', "broker.password: "),
        ('[broker]\npassword_env = "X"', "broker: password_env is given without username"),
        ('[service]\ninstance = ""', "service.instance: "),
        ('[service]\ninstance = "a/b"', "service.instance: "),
        ("[store]\ndirectory = 5", "store.directory: "),
        ('[rules]\nengine = "fast"', "rules.engine: "),
        ("[rules]\nuse = 1", "rules.use: "),
        ('[places]\naccept = "recovery/bay-1"', "places.accept: "),
        ('[places]\naccept = ["recovery/bay-1", "bay-2"]', "places.accept.1: "),
        ('[places]\naccept = ["recovery/bay 1"]', "places.accept.0: "),
        ("[brokers]", "brokers: "),
        ("port = 1883", "port: "),
        ("service = 3", "service: "),
    ],
)
def test_the_key_is_named(tmp_path: Path, text: str, key: str) -> None:
    assert key in error(tmp_path, text)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[broker]\nprot = 1883", 'broker.prot: not a key here; did you mean "port"?'),
        ("[brokers]", 'brokers: not a key here; did you mean "broker"?'),
        ("[store]\nfile = 1", 'store.file: not a key here; expected "directory"'),
    ],
)
def test_a_key_that_is_not_known_is_told_with_the_nearest(
    tmp_path: Path, text: str, told: str
) -> None:
    assert error(tmp_path, text) == told


def test_every_fault_is_told(tmp_path: Path) -> None:
    told = error(tmp_path, '[broker]\nport = 0\nhosst = "x"\n[rules]\nengine = "fast"')
    assert "broker.port: " in told
    assert "broker.hosst: " in told
    assert "rules.engine: " in told


def test_a_value_that_could_be_a_password_is_not_repeated(tmp_path: Path) -> None:
    assert "hunter2" not in error(tmp_path, '[broker]\npassword = "hunter2"')


@pytest.mark.parametrize("text", ["[broker\n", "port = \n", "[broker]\nport = 1\nport = 2\n"])
def test_text_that_is_not_toml_is_told_with_its_line(tmp_path: Path, text: str) -> None:
    told = error(tmp_path, text)
    assert "cannot be read" in told
    assert "line" in told


def test_a_file_that_is_not_there_not_text_or_a_folder(tmp_path: Path) -> None:
    for name, content in (("missing.toml", None), ("bytes.toml", b"\xff\xfe")):
        path = tmp_path / name
        if content is not None:
            path.write_bytes(content)
        with pytest.raises(ConfigError, match=name):
            read_config(path)
    with pytest.raises(ConfigError, match="cannot be read"):
        read_config(tmp_path)
