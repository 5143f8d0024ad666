"""The pages on rules, against the store, the commands and the library that they tell of."""

from __future__ import annotations

import json
import re
import sqlite3
import threading
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import pytest
from asking import Pages, config
from click.testing import CliRunner
from rule_bench import signed, small_rules, variant
from rules_bench import ACTIVE, FIRST, SEEN, TRIED, WOLF, lived_store
from sqlite_utils import Database
from store_bench import begin

from adapters.cli.main import main
from adapters.library_releases import library_releases
from adapters.pages.rules import routing as rules_routes
from adapters.rule_activation import activate, open_ledger
from adapters.rule_files import DEFAULT_RULES, load_rules
from adapters.rule_policy import Policy
from adapters.rule_releases import Candidate, release
from adapters.sqlite.schema import migrations
from adapters.sqlite.store import FILE_NAME, SqliteStore
from rules.difference import difference
from rules.limits import Confidence

LIBRARY = load_rules(DEFAULT_RULES).rule_set
SET = f"/rules/{DEFAULT_RULES.replace('@', '/')}"


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("lived")
    lived_store(folder)
    return folder


@pytest.fixture
def pages(lived: Path) -> Pages:
    return Pages(config(lived))


def _rows(store: Path, query: str, *values: object) -> list[tuple[Any, ...]]:
    with sqlite3.connect(store / FILE_NAME) as connection:
        return connection.execute(query, values).fetchall()


# -- what decides -------------------------------------------------------------------------------


def test_without_a_store_the_page_says_so_and_what_the_configuration_says(tmp_path: Path) -> None:
    pages = Pages(config(tmp_path / "not-yet"))
    answer = pages.get("/rules")
    assert answer.status == 200
    assert "There is no store yet" in answer.text
    assert f"What decides now {DEFAULT_RULES.replace('@', ' ')}" in answer.text
    assert not (tmp_path / "not-yet").exists()
    for path in (SET, f"{SET}/rule/spo2-low", f"{SET}/limits", "/rules/compare"):
        assert pages.get(path).status == 200, path
    assert "no store yet that could tell" in pages.get(f"{SET}/rule/spo2-low").text


@pytest.mark.parametrize("content", [b"", b"no database at all, for sure"])
def test_what_is_no_store_is_said_not_hidden(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE_NAME).write_bytes(content)
    answer = Pages(config(tmp_path)).get("/rules")
    assert answer.status == 200
    assert "The store cannot be read" in answer.text
    assert "Nothing is known here of what was activated" in answer.text


def test_a_store_of_an_older_form_is_not_guessed_at(tmp_path: Path) -> None:
    db = Database(sqlite3.connect(tmp_path / FILE_NAME))
    migrations.apply(db, stop_before="m004_versions_of_rules")
    db.close()
    answer = Pages(config(tmp_path)).get("/rules")
    assert (answer.status, "of an older form" in answer.text) == (200, True)


def test_a_store_that_no_service_has_used_is_told_as_that(tmp_path: Path) -> None:
    SqliteStore(tmp_path).close()
    text = Pages(config(tmp_path)).get("/rules").text
    assert "As the configuration says: nothing was activated in this store." in text
    assert "No service has gone by any rules on this store yet." in text
    assert "Nothing to count yet." in text


def test_what_is_active_is_told_with_who_when_and_why(pages: Pages) -> None:
    text = pages.get("/rules").text
    assert (
        "What decides now house-rules 1.0.0 Activated by Duty Vet, 2026-11-25 13:01:00 UTC: our "
        "animals are small (rules written by Second Nurse)"
    ) in text
    assert "is asked for, but" not in text
    history = text.partition("Who decided what")[2]
    assert history.index("Trial begun: house-rules 1.1.0") < history.index("Activated: house-rules")
    assert "The service went by it from 2026-11-25 13:01:00 UTC" in history
    assert "house-rules 1.1.0, released here by Second Nurse" in history
    assert "small-animal-ventilation 2.1.0, comes with Tidewarden" in history


def _released_and_activated(folder: Path, policy: Policy, by: str, why: str = "w") -> None:
    begin(SqliteStore(folder)).close()
    with open_ledger(folder) as ledger:
        rules = variant("1.0.0", name="house-rules")
        release(ledger, Candidate(rules), at=signed().at, by="author", notes="n")
        activate(ledger, ACTIVE, signed(by, why), "author", policy)


def test_what_no_service_has_taken_up_is_told_as_that(tmp_path: Path) -> None:
    _released_and_activated(tmp_path, Policy(), "second")
    text = Pages(config(tmp_path, use=FIRST)).get("/rules").text
    assert f"{ACTIVE} is asked for, but the service last went by {FIRST}" in text
    assert f"What decides now {FIRST.replace('@', ' ')}" in text


def test_what_the_policy_objects_to_is_not_told_as_active(tmp_path: Path) -> None:
    _released_and_activated(tmp_path, Policy(two_persons=False), "author")
    lenient, strict = (Pages(config(tmp_path, use=FIRST, two=two)) for two in (False, True))
    assert "Activated by author" in lenient.get("/rules").text
    assert "nothing was activated in this store" in strict.get("/rules").text


def test_a_configuration_that_was_changed_since_is_told(tmp_path: Path) -> None:
    begin(SqliteStore(tmp_path)).close()
    text = Pages(config(tmp_path, use=DEFAULT_RULES)).get("/rules").text
    assert f"{DEFAULT_RULES} is asked for, but the service last went by {FIRST}" in text


def test_what_people_write_is_never_markup(tmp_path: Path) -> None:
    why = "<script>alert(1)</script>"
    _released_and_activated(tmp_path, Policy(), "<b>second", why)
    answer = Pages(config(tmp_path)).get("/rules")
    assert b"<script" not in answer.body
    assert b"<b>" not in answer.body
    assert b"&lt;script&gt;alert(1)" in answer.body


def test_rules_from_a_folder_of_the_configuration(tmp_path: Path) -> None:
    folder = small_rules(tmp_path / "ours")
    pages = Pages(config(tmp_path / "not-yet", use=str(folder)))
    assert "What decides now ours 1.0.0" in pages.get("/rules").text
    assert "Saturation is low" in pages.get("/rules/ours/1.0.0").text
    (folder / "rules.yaml").write_text("rules: nonsense", encoding="utf-8")
    answer = pages.get("/rules")
    assert (answer.status, "cannot be read: let somebody look" in answer.text) == (200, True)


def test_rules_of_a_store_that_cannot_be_read_are_not_replaced_by_others(tmp_path: Path) -> None:
    _released_and_activated(tmp_path, Policy(), "second")
    with sqlite3.connect(tmp_path / FILE_NAME) as connection:
        connection.execute('update rule_sets set files = \'{"rule-set.yaml": "nonsense"}\'')
    pages = Pages(config(tmp_path, use=FIRST))
    answer = pages.get("/rules")
    assert (answer.status, f"The rules {FIRST} cannot be read" in answer.text) == (200, True)
    assert pages.get(f"/rules/{FIRST.replace('@', '/')}").status == 404
    assert pages.get(SET).status == 200


def test_a_trial_whose_rules_cannot_be_read_hides_nothing_else(tmp_path: Path) -> None:
    lived_store(tmp_path)
    with sqlite3.connect(tmp_path / FILE_NAME) as connection:
        connection.execute("update rule_sets set files = '{}' where version = '1.1.0'")
    text = Pages(config(tmp_path)).get("/rules").text
    assert "What it would have said cannot be told" in text
    assert "The store cannot be read" not in text
    assert "Activated by Duty Vet" in text


# -- how rules fare -----------------------------------------------------------------------------


def _table(body: bytes) -> list[list[str]]:
    """The rows of the first table: the id that the rule's link ends with, then the numbers."""
    table = body.decode().partition("<tbody>")[2].partition("</tbody>")[0]
    found = []
    for row in table.split("<tr>")[1:]:
        link = re.search(r'/rule/([a-z0-9-]+)"', row)
        assert link is not None, row
        found.append([link[1], *re.findall(r'<td class="number">([^<]*)</td>', row)])
    return found


def test_rules_that_cry_wolf_come_first_with_what_the_store_has_of_them(
    pages: Pages, lived: Path
) -> None:
    rows = _table(pages.get("/rules?over=store").body)
    spoke = dict(
        _rows(
            lived,
            "select a.rule, sum(e.speaks) from advisory_events e "
            "join advisories a on a.id = e.advisory_id group by 1",
        )
    )
    assert rows[0][:3] == [WOLF, "3", "3"]
    assert {row[0]: int(row[2]) for row in rows} == spoke
    briefs = [int(row[1]) for row in rows]
    assert briefs == sorted(briefs, reverse=True)
    # Acknowledged once, by who looked.
    assert {row[0]: row[5] for row in rows if row[5] != "0"} == {SEEN[1]: "1"}
    # Ten places for 150 s are 0.42 h; a stretch of 10 s counts whole.
    assert float(rows[0][3]) == pytest.approx(3 / (10 * 150 / 3600), abs=0.1)


def test_the_last_day_is_counted_back_from_the_end_of_the_store(tmp_path: Path) -> None:
    """What is older than 24 h counts for the whole store only."""
    lived_store(tmp_path)
    with sqlite3.connect(tmp_path / FILE_NAME) as connection:
        connection.execute("update progress set reached_ms = reached_ms + 86400000 - 60000")
        connection.commit()
    pages = Pages(config(tmp_path))
    day, whole = (
        {row[0] for row in _table(pages.get(f"/rules?over={over}").body)}
        for over in ("day", "store")
    )
    assert WOLF in whole
    assert WOLF not in day
    assert day


def test_a_trial_is_told_with_what_it_would_have_said(pages: Pages) -> None:
    text = pages.get("/rules").text
    assert "On trial house-rules 1.1.0 Begun by Duty Vet" in text
    different = text.partition("What would have been different")[2].partition("Who decided")[0]
    assert "Only on trial. recovery/bay-2" in different
    assert "above 50 mmHg" in different


# -- rules in words -----------------------------------------------------------------------------


def test_all_rules_stand_in_words_with_how_sure_they_are() -> None:
    pages = Pages(config(Path("nowhere")))
    answer = pages.get(SET)
    links = {link.rpartition("/rule/")[2] for link in answer.links() if "/rule/" in link}
    assert links == LIBRARY.by_id.keys()
    unsure = [r for r in LIBRARY.rules if r.source.confidence is not Confidence.PUBLISHED]
    assert (
        f"{len(LIBRARY.rules)} rules, {len(unsure)} of them to be approved locally" in answer.text
    )
    assert "pulse oximeter saturation below limit spo2_low" in answer.text
    only = pages.get(f"{SET}?only=approve")
    links = {link.rpartition("/rule/")[2] for link in only.links() if "/rule/" in link}
    assert links == {rule.id for rule in unsure}


@pytest.mark.parametrize(
    ("find", "some"),
    [("saturation", {"spo2-low"}), ("kinked", {"airway-narrowing"}), ("SPO2-LOW", {"spo2-low"}),
     ("etco2_high spo2_low", {"weaning-failing"}), ("no such words", set())],
)  # fmt: skip
def test_rules_are_found_by_what_stands_in_them(find: str, some: set[str]) -> None:
    answer = Pages(config(Path("nowhere"))).get(f"{SET}?{urlencode({'find': find})}")
    links = {link.rpartition("/rule/")[2] for link in answer.links() if "/rule/" in link}
    assert some <= links
    assert len(links) < len(LIBRARY.rules) / 2
    if not some:
        assert not links
    assert f"{len(links)} of {len(LIBRARY.rules)} rules have: {find}" in answer.text


@pytest.mark.parametrize("rule", LIBRARY.rules, ids=lambda rule: rule.id)
def test_each_rule_has_a_page_with_its_whole_story(rule: Any) -> None:
    answer = Pages(config(Path("nowhere"))).get(f"{SET}/rule/{rule.id}")
    assert answer.status == 200
    for told in (rule.title, rule.source.ref, rule.harm.value, *rule.look_at):
        assert " ".join(told.split()) in answer.text
    for name in rule.limit_names():
        assert LIBRARY.limits.limits[name].meaning in answer.text
    for name in rule.may_be:
        assert LIBRARY.causes[name].look in answer.text
    approve = rule.source.confidence is not Confidence.PUBLISHED
    head = answer.text.partition("What it says")[0]
    assert ("to be approved locally" in head) == approve


def test_the_page_of_a_rule_tells_its_advisories(pages: Pages) -> None:
    text = pages.get(f"/rules/house-rules/1.0.0/rule/{SEEN[1]}").text
    latest = text.partition("Its latest advisories")[2]
    assert SEEN[0] in latest
    assert "Duty Vet has seen it" in latest
    quiet = pages.get("/rules/house-rules/1.0.0/rule/etco2-high").text
    assert "it said nothing" in quiet
    assert "Its latest advisories" not in quiet


@pytest.mark.parametrize(
    "path",
    ["/rules/none/1.0.0", "/rules/none/1.0.0/limits", f"{SET}/rule/none", "/rules/none/1/rule/x"],
)
def test_what_is_not_there_is_said(pages: Pages, path: str) -> None:
    answer = pages.get(path)
    assert (answer.status, f"There is nothing at {path}" in answer.text) == (404, True)


def test_of_two_with_one_name_the_one_that_decides_is_shown(tmp_path: Path) -> None:
    """A folder may be changed without raising its version."""
    begin(SqliteStore(tmp_path)).close()
    with open_ledger(tmp_path) as ledger:
        for limit in (50, 45):
            rules = variant("0.1.0", co2_high=limit)
            ledger.keep(rules.rule_set, rules.files)
    sha = load_rules(FIRST).rule_set.sha256[:12]
    assert f"SHA-256 {sha}" in Pages(config(tmp_path)).get(f"/rules/{FIRST.replace('@', '/')}").text


# -- limits of a patient ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("query", "options"),
    [
        ({"species": "hedgehog", "mass": "410 g"}, ["--species", "hedgehog", "--mass", "0.41"]),
        ({"species": "kestrel", "mass": "0.2"}, ["--species", "kestrel", "--mass", "0.2"]),
        (
            {"species": "cat", "mass": "3,1 kg", "phase": "weaning"},
            ["--species", "cat", "--mass", "3.1", "--phase", "weaning"],
        ),
        ({"species": "quokka", "class": "mammal"}, ["--species", "quokka", "--class", "mammal"]),
        ({"class": "reptile"}, ["--class", "reptile"]),
    ],
)
def test_limits_are_those_that_the_command_tells(query: dict[str, str], options: list[str]) -> None:
    done = CliRunner().invoke(main, ["rules", "limits", *options, "--json"])
    answer = Pages(config(Path("nowhere"))).get(f"{SET}/limits?{urlencode(query)}")
    assert answer.status == 200
    cells = answer.body.decode().partition("<tbody>")[2].partition("</tbody>")[0].split("<tr>")[1:]
    rows = json.loads(done.stdout)
    assert len(cells) == len(rows) > 40
    for row, cell in zip(rows, cells, strict=True):
        assert f"<small>{row['limit']}</small>" in cell
        shown = re.search(r'<span class="value">(-?[\d.]+)', cell)
        assert (None if shown is None else float(shown[1])) == row["value"]
        assert (row["confidence"] == "published") == ('class="approve"' not in cell)


@pytest.mark.parametrize(
    ("query", "field", "said"),
    [
        (
            "species=hedghog",
            "species",
            'Species: hedghog is not known here; did you mean "hedgehog"?',
        ),
        (
            "species=xyzzy",
            "species",
            "Species: xyzzy is not known here. Else choose its class too.",
        ),
        ("species=cat&mass=heavy", "mass", "Body mass: heavy is no mass"),
        ("species=cat&mass=-1", "mass", "Body mass: -1 is no mass"),
        ("species=hedgehog&mass=410", "mass", "Body mass: 410 of what? Write 410 g or 410 kg."),
        ("species=cat&mass=900+kg", "mass", "Body mass: from 1 g to 500 kg."),
        ("species=cat&mass=0.5+g", "mass", "Body mass: from 1 g to 500 kg."),
        ("species=cat&mass=nan", "mass", "Body mass: nan is no mass"),
        ("species=cat&phase=asleep", "phase", "Phase: choose one of preparation"),
        ("class=fish", "class", "Class: choose one of mammal"),
    ],
)
def test_what_is_wrong_names_the_field_and_what_to_do(query: str, field: str, said: str) -> None:
    answer = Pages(config(Path("nowhere"))).get(f"{SET}/limits?{query}")
    assert answer.status == 400
    assert said in answer.text
    assert f'id="{field}" aria-invalid="true" aria-describedby="{field}-wrong"' in (
        answer.body.decode()
    )
    assert "<tbody>" not in answer.body.decode()


def test_a_form_that_nobody_filled_in_has_nothing_wrong_with_it() -> None:
    answer = Pages(config(Path("nowhere"))).get(f"{SET}/limits")
    assert (answer.status, "Say which patient." in answer.text) == (200, True)


# -- comparing ----------------------------------------------------------------------------------


def _compare(before: str, after: str) -> str:
    return f"/rules/compare?from={quote(before)}&to={quote(after)}"


@pytest.mark.parametrize(
    ("before", "after"), [(ACTIVE, TRIED), (FIRST, ACTIVE), (DEFAULT_RULES, FIRST)]
)
def test_every_change_is_told_where_it_weighs(pages: Pages, before: str, after: str) -> None:
    kept = {
        ACTIVE: variant("1.0.0", name="house-rules").rule_set,
        TRIED: variant("1.1.0", co2_high=50, name="house-rules").rule_set,
    }
    one, other = (kept.get(spec) or load_rules(spec).rule_set for spec in (before, after))
    changes = difference(one, other)
    text = pages.get(_compare(before, after)).text
    assert f"{len(changes)} changes." in text
    heads = {"major": "May fall silent", "minor": "Says more, or otherwise", "patch": "Words, sour"}
    starts = {name: text.find(head) for name, head in heads.items()}
    for change in changes:
        start = starts[change.step.words]
        end = min([at for at in starts.values() if at > start], default=len(text))
        for words in (change.before, change.after):
            assert words is None or " ".join(words.split()) in text[start:end]


def test_a_version_does_not_differ_from_itself(pages: Pages) -> None:
    assert "The very same rules." in pages.get(_compare(FIRST, FIRST)).text


def test_a_version_that_is_not_known_is_named(pages: Pages) -> None:
    answer = pages.get(_compare(FIRST, "none@1.0.0"))
    assert (answer.status, "none@1.0.0 is not known here" in answer.text) == (404, True)


def test_the_form_offers_the_version_before(pages: Pages) -> None:
    body = pages.get(f"/rules/compare?to={quote(DEFAULT_RULES)}").body.decode()
    before, newest = library_releases()[-2:]
    assert newest.spec == DEFAULT_RULES
    assert re.findall(r'value="([^"]*)" selected', body) == [before.spec, newest.spec]


# -- beside the live pages ------------------------------------------------------------------------


def test_a_store_is_read_beside_what_is_pushed(
    pages: Pages, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[threading.Thread] = []
    read = rules_routes.read_fared

    def watched(*arguments: Any) -> Any:
        seen.append(threading.current_thread())
        return read(*arguments)

    monkeypatch.setattr(rules_routes, "read_fared", watched)
    pages.get("/rules")
    assert len(seen) == 1
    assert seen[0] is not threading.main_thread()
