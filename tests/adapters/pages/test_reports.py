"""Reports from a folder: what is listed is shown, in a sandbox, and nothing else ever is."""

from __future__ import annotations

import http.client
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from asking import Pages, config
from end_to_end.ward_bench import PagesProcess

from adapters.tcp import free_port

SECRET = b"nobody may read this here"
PAGE = b"<!doctype html><title>r</title><script>1</script>"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of reports, with secrets beside it and ways that seem to lead to them."""
    home = tmp_path_factory.mktemp("home")
    reports = home / "reports"
    (reports / "deeper").mkdir(parents=True)
    for name in ("old.html", "new of today & more.html", "middle.html"):
        (reports / name).write_bytes(PAGE)
    os.utime(reports / "old.html", (1_700_000_000, 1_700_000_000))
    os.utime(reports / "middle.html", (1_750_000_000, 1_750_000_000))
    (reports / "notes.txt").write_bytes(SECRET)
    (home / "secret.html").write_bytes(SECRET)
    (reports / "deeper" / "inner.html").write_bytes(SECRET)
    (reports / "out.html").symlink_to(home / "secret.html")
    (reports / "away").symlink_to(home)
    (reports / "deep.html").symlink_to(reports / "deeper" / "inner.html")
    (reports / "folder.html").mkdir()
    (reports / "gone.html").symlink_to(home / "was-never-there.html")
    os.mkfifo(reports / "pipe.html")
    return reports


def test_reports_are_listed_newest_first_with_when_and_how_large(folder: Path) -> None:
    answer = Pages(config(folder.parent, reports=folder)).get("/reports")
    assert answer.status == 200
    listed = answer.text.partition("Report Written Size")[2]
    names = ["new of today & more", "middle 2025-06-15 15:06:40 UTC 1 kB", "old 2023-11-14"]
    assert [name for name in names if name in listed] == names
    assert sorted(names, key=listed.index) == names
    shown = {link for link in answer.links() if link.startswith("reports/")}
    assert shown == {
        "reports/old.html", "reports/middle.html", "reports/new%20of%20today%20%26%20more.html"
    }  # fmt: skip


def test_a_report_may_run_its_own_scripts_and_reach_nothing(folder: Path) -> None:
    pages = Pages(config(folder.parent, reports=folder))
    answer = pages.get("/reports/new%20of%20today%20%26%20more.html")
    assert (answer.status, answer.body) == (200, PAGE)
    policy = dict(
        part.strip().partition(" ")[::2]
        for part in answer.headers["content-security-policy"].split(";")
    )
    assert policy == {
        "sandbox": "allow-scripts", "default-src": "'none'", "script-src": "'unsafe-inline'",
        "style-src": "'unsafe-inline'", "img-src": "data: blob:", "base-uri": "'none'",
        "form-action": "'none'", "frame-ancestors": "'none'",
    }  # fmt: skip
    assert answer.headers["content-type"].startswith("text/html")


@pytest.fixture(scope="module")
def process(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[PagesProcess]:
    made = PagesProcess(
        tmp_path_factory.mktemp("pages"), free_port("127.0.0.1"), f'reports = "{folder}"\n'
    )
    made.start()
    yield made
    made.stop()


@pytest.mark.parametrize(
    "path",
    [
        "/reports/../secret.html", "/reports/..%2fsecret.html", "/reports/%2e%2e/secret.html",
        "/reports/..%5csecret.html", "/reports/....//secret.html", "/reports//secret.html",
        "/reports/{home}/secret.html", "/reports/%2f{home}%2fsecret.html", "/reports/out.html",
        "/reports/away/secret.html", "/reports/away%2fsecret.html", "/reports/deep.html",
        "/reports/deeper/inner.html", "/reports/deeper%2finner.html", "/reports/notes.txt",
        "/reports/folder.html", "/reports/gone.html", "/reports/pipe.html", "/reports/.",
        "/reports/..", "/reports/old.html%00.txt", "/reports/%00", "/reports/old.html/",
        "/reports/OLD.HTML", "/static/../../reports/secret.html", "/reports/*.html",
    ],
)  # fmt: skip
def test_no_path_leads_out_of_the_folder(process: PagesProcess, folder: Path, path: str) -> None:
    """Sent as it stands: a client would tidy it up first."""
    connection = http.client.HTTPConnection("127.0.0.1", process.port, timeout=10)
    connection.putrequest("GET", path.format(home=folder.parent), skip_accept_encoding=True)
    connection.endheaders()
    answer = connection.getresponse()
    body = answer.read()
    connection.close()
    assert SECRET not in body
    # With a slash too many it is sent to the right place, and no further.
    right = path == "/reports/old.html/" and answer.getheader("location", "").endswith("/old.html")
    assert answer.status == (307 if right else 404)


def test_the_process_sends_the_policy_of_a_report_and_its_own(process: PagesProcess) -> None:
    sent = {}
    for path in ("/reports/old.html", "/reports", "/rules"):
        connection = http.client.HTTPConnection("127.0.0.1", process.port, timeout=10)
        connection.request("GET", path)
        answer = connection.getresponse()
        answer.read()
        assert answer.status == 200
        policies = answer.headers.get_all("content-security-policy")
        assert policies is not None
        (sent[path],) = policies
        assert answer.getheader("x-content-type-options") == "nosniff"
        connection.close()
    assert "'unsafe-inline'" in sent["/reports/old.html"]
    assert sent["/reports"] == sent["/rules"]
    assert "unsafe" not in sent["/rules"]


def test_a_link_within_the_folder_is_a_report(tmp_path: Path) -> None:
    (tmp_path / "run-7.html").write_bytes(PAGE)
    (tmp_path / "latest.html").symlink_to("run-7.html")
    pages = Pages(config(tmp_path, reports=tmp_path))
    assert pages.get("/reports/latest.html").body == PAGE


def test_without_the_setting_the_page_says_how_to_set_it(tmp_path: Path) -> None:
    pages = Pages(config(tmp_path))
    answer = pages.get("/reports")
    assert answer.status == 200
    assert "No folder of reports is set." in answer.text
    assert '[pages] reports = "' in answer.text
    assert pages.get("/reports/old.html").status == 404


def test_a_folder_that_is_not_there_or_empty_is_told(tmp_path: Path) -> None:
    gone = Pages(config(tmp_path, reports=tmp_path / "gone")).get("/reports")
    assert (gone.status, "is not there: make it" in gone.text) == (200, True)
    empty = Pages(config(tmp_path, reports=tmp_path)).get("/reports")
    assert (empty.status, "No report lies in" in empty.text) == (200, True)
