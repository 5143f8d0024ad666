"""The gate of a running process, asked as a browser and as a stranger would ask."""

from __future__ import annotations

import http.client
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlencode

import pytest
from end_to_end.mosquitto import Mosquitto
from end_to_end.ward_bench import PagesProcess
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from adapters.pages.people import add_person

WORDS = "a long enough word"


@dataclass
class Answer:
    """What came back."""

    status: int
    headers: dict[str, str]
    text: str


@dataclass
class Asker:
    """A client that keeps its cookie."""

    port: int
    cookie: str = ""

    def ask(self, method: str, path: str, body: str = "", **headers: str) -> Answer:
        """One request, as a page of ours would send it unless `headers` say otherwise."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        own = {"Origin": f"http://127.0.0.1:{self.port}", "Accept": "text/html", **headers}
        if self.cookie:
            own["Cookie"] = self.cookie
        connection.request(method, path, body, own)
        response = connection.getresponse()
        answer = Answer(
            response.status,
            {name.lower(): value for name, value in response.getheaders()},
            response.read().decode(),
        )
        connection.close()
        if "set-cookie" in answer.headers:
            self.cookie = answer.headers["set-cookie"].split(";")[0]
        return answer

    def log_in(self, name: str, password: str = WORDS, onward: str = "/") -> Answer:
        """Send the form."""
        form = {"name": name, "password": password, "next": onward}
        kind = {"Content-Type": "application/x-www-form-urlencoded"}
        return self.ask("POST", "/login", urlencode(form), **kind)


@pytest.fixture(scope="module")
def pages(
    mosquitto: Callable[[Path], Mosquitto], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[PagesProcess]:
    folder = tmp_path_factory.mktemp("gate")
    for name, role in (("mira", "team"), ("kit", "reader"), ("hall", "wall"), ("eve", "team")):
        add_person(folder / "people.toml", name, role, WORDS)
    made = PagesProcess(
        folder, mosquitto(folder / "broker").port, f'people = "{folder / "people.toml"}"\n'
    )
    made.start()
    yield made
    made.stop()


@pytest.fixture
def stranger(pages: PagesProcess) -> Asker:
    return Asker(pages.port)


@pytest.mark.parametrize("path", ["/", "/wall", "/place/ward/box-17"])
def test_a_page_leads_to_the_login_and_back(stranger: Asker, path: str) -> None:
    answer = stranger.ask("GET", path)
    assert (answer.status, answer.headers["location"]) == (303, f"/login?next={path}")
    assert "Decision support only" in stranger.ask("GET", answer.headers["location"]).text
    assert stranger.log_in("mira", onward=path).headers["location"] == path
    assert stranger.ask("GET", path).status == 200


def test_what_is_no_page_is_refused(stranger: Asker, pages: PagesProcess) -> None:
    assert stranger.ask("GET", "/place/ward/box-17/notes", Accept="*/*").status == 401
    asked = stranger.ask("POST", "/place/ward/box-17/request", "{}", Accept="*/*")
    assert asked.status == 401
    with pytest.raises(InvalidStatus), connect(f"ws://127.0.0.1:{pages.port}/live"):
        pass


def test_the_cookie_is_strict_and_ends_with_the_session(stranger: Asker) -> None:
    said = stranger.log_in("mira").headers["set-cookie"]
    assert "HttpOnly" in said
    assert "samesite=strict" in said.lower()
    kept = stranger.cookie
    assert stranger.ask("POST", "/logout").status == 303
    stranger.cookie = kept
    assert stranger.ask("GET", "/").status == 303


@pytest.mark.parametrize("onward", ["//elsewhere.example", "https://elsewhere.example", "/\\x", ""])
def test_the_login_leads_nowhere_else(stranger: Asker, onward: str) -> None:
    assert stranger.log_in("mira", onward=onward).headers["location"] == "/"


def test_another_site_can_ask_nothing(stranger: Asker, pages: PagesProcess) -> None:
    stranger.log_in("mira")
    body = json.dumps({"action": "note", "reason": "x"})
    answer = stranger.ask(
        "POST", "/place/ward/box-17/request", body, Origin="http://elsewhere.example"
    )
    assert answer.status == 403
    headers = {"Cookie": stranger.cookie}
    address = f"ws://127.0.0.1:{pages.port}/live"
    with (
        pytest.raises(InvalidStatus),
        connect(address, origin="http://elsewhere.example", additional_headers=headers),
    ):
        pass
    with connect(address, additional_headers=headers) as socket:
        assert "watching" in json.loads(socket.recv(5.0))


@pytest.mark.parametrize("name", ["kit", "hall"])
def test_who_only_looks_cannot_ask(stranger: Asker, name: str) -> None:
    stranger.log_in(name)
    body = json.dumps({"action": "note", "reason": "x"})
    answer = stranger.ask("POST", "/place/ward/box-17/request", body)
    assert (answer.status, json.loads(answer.text)["outcome"]) == (403, "refused")


def test_a_wall_goes_to_the_wall(stranger: Asker) -> None:
    assert stranger.log_in("hall", onward="/place/ward/x").headers["location"] == "/wall"


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("{", "JSON"),
        ('{"reason": "x"}', "action: Field required"),
        ('{"action": "note", "by": "somebody else"}', "by: Extra inputs"),
        ('{"action": "acknowlege"}', "acknowledge"),
        ('{"action": "pause", "minutes": "long"}', "minutes"),
        ('{"action": "note", "reason": "' + "x" * 20_000 + '"}', "EOF"),
    ],
)
def test_a_request_that_cannot_be_says_which_field(stranger: Asker, body: str, said: str) -> None:
    stranger.log_in("mira")
    answer = stranger.ask("POST", "/place/ward/box-17/request", body)
    assert answer.status == 400
    assert said in json.loads(answer.text)["reason"]


def test_a_wrong_password_says_no_more_than_that_and_soon_has_to_wait(stranger: Asker) -> None:
    for _ in range(5):
        answer = stranger.log_in("eve", "not her password")
        assert (answer.status, "Name or password is wrong" in answer.text) == (401, True)
    assert stranger.log_in("nobody-at-all").text.count("Name or password is wrong") == 1
    late = stranger.log_in("eve")
    assert (late.status, "Wait five minutes" in late.text) == (429, True)
    assert stranger.cookie == ""


def test_every_answer_is_strict(stranger: Asker) -> None:
    for path in ("/login", "/", "/static/pages.css", "/nothing-here"):
        headers = stranger.ask("GET", path).headers
        assert "default-src 'none'" in headers["content-security-policy"]
        assert (headers["x-content-type-options"], headers["cache-control"]) == (
            "nosniff",
            "no-store",
        )


def test_where_nobody_logs_in_a_foreign_name_opens_nothing(
    mosquitto: Callable[[Path], Mosquitto], tmp_path: Path
) -> None:
    made = PagesProcess(tmp_path, mosquitto(tmp_path / "broker").port, 'everyone = "ward"\n')
    made.start()
    asker = Asker(made.port)
    assert asker.ask("GET", "/").status == 200
    assert asker.ask("GET", "/", Host="elsewhere.example").status == 403
    made.stop()
