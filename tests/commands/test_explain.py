"""Every id and word that a report shows can be explained, within the width of a terminal."""

from __future__ import annotations

import json
import re
import tomllib
from importlib import resources

import pytest
from click.testing import CliRunner

from conformance.commands import main
from conformance.commands.explain.command import entry_page, explain
from conformance.commands.explain.entries import entries, every_entry
from conformance.suite.case import all_cases
from conformance.tester.walk.walk_case import ID as WALK
from protocol.specification import specification

NARROW = 79


def explained(*arguments: str) -> str:
    done = CliRunner().invoke(explain, list(arguments), catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


def test_every_requirement_is_explained_with_the_sentence_of_its_file() -> None:
    rows = tomllib.loads(
        resources.files("protocol").joinpath("v1", "requirements.toml").read_text(encoding="utf-8")
    )
    for id_, row in rows.items():
        (entry,) = entries(id_)
        # The figures are filled in, so what stands between them is compared.
        assert all(part in entry.says for part in re.split(r"\{[a-z_]+\}", row["says"])), id_


def test_everything_that_a_report_names_is_explained() -> None:
    known = specification()
    names = [
        *known.requirements,
        *all_cases(),
        WALK,
        *known.messages,
        *known.words("reason"),
        *known.words("fault_code"),
    ]
    names += [*known.guards, *known.timing, *known.limits, *(check.name for check in known.order_checks)]
    assert [name for name in names if not entries(name)] == []


def test_what_a_walk_and_a_state_table_say_is_explained() -> None:
    """`admitting, admit running past return` is a state of a walk: each of its words has an entry."""
    known = specification()
    states = {state for table in known.tables.values() for state in table.states}
    fields = {name for schema in known.messages.values() for name in schema["properties"]}
    words = [*states, *fields, *known.guard_words, *known.words("step"), *known.words("sensor")]
    assert [word for word in words if not entries(word)] == []
    assert "crane from its step 'grip' on" in explained("past return").replace("\n      ", " ").replace(
        "\n  ", " "
    )
    assert "armed (on arming)" in explained("admitting")


def test_every_event_of_a_table_and_every_field_of_the_site_file_is_explained() -> None:
    known = specification()
    events = {event for table in known.tables.values() for event in table.events}
    parts = [known.site_schema, *known.site_schema["$defs"].values()]
    fields = {name for part in parts for name in part.get("properties", {})}
    assert {word for word in events | fields if not entries(word)} == set()
    assert "Arrival state of a berth" in explained("gone")
    assert "[nodes.NAME.berth]" in explained("clear_ms")


def test_no_entry_is_without_a_word_of_what_it_is() -> None:
    silent = {entry.name for entry in every_entry() if not entry.says}
    assert silent <= {check.name for check in specification().order_checks} | set(
        specification().words("role")
    )


def test_what_an_entry_points_to_is_explained_in_turn() -> None:
    named = {entry.name for entry in every_entry()}
    assert {name for entry in every_entry() for name in entry.see} <= named


def test_a_time_points_to_the_sentences_that_hold_it_and_to_no_other_of_its_length() -> None:
    (entry,) = entries("state_repeat")
    same = [
        name for name, figure in specification().timing.items() if str(figure) == dict(entry.more)["value"]
    ]
    assert all("state_repeat" in specification().requirements[id_].figures for id_ in entry.see)
    assert "state_repeat" in same


def test_a_page_fits_into_eighty_columns() -> None:
    wide = [
        line
        for entry in every_entry()
        for line in entry_page(entry, NARROW).splitlines()
        if len(line) > NARROW
    ]
    # A formula has no place to break at.
    assert [line for line in wide if " " in line.strip()] == []


def test_a_chapter_is_listed() -> None:
    shown = explained("hld")
    ids = [rule.id for rule in specification().requirements.values() if rule.chapter == "HLD"]
    assert re.findall(r"^HLD-\d+", shown, re.MULTILINE) == ids


def test_the_case_of_letters_does_not_matter_and_names_may_be_many() -> None:
    shown = explained("ord-06", "orders-repeat")
    assert "ORD-06: a requirement (MUST)" in shown
    assert "orders-repeat: a conformance case" in shown


def test_json_holds_the_same() -> None:
    told = json.loads(explained("ORD-06", "HLD", "--json"))
    assert told["entries"][0]["says"] == specification().requirements["ORD-06"].says
    assert "HLD-01" in told["chapters"]["HLD"]


@pytest.mark.parametrize(
    ("wrong", "near"), [("ORD-99", "ORD-"), ("wrong_bot", "wrong-boot"), ("statle", "stale")]
)
def test_an_unknown_name_is_refused_with_what_looks_alike(
    wrong: str, near: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main.run(["explain", wrong]) == 2
    told = capsys.readouterr().err
    assert f'called "{wrong}"' in told
    assert "Did you mean" in told
    assert near in told
