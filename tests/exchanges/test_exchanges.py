"""The exchanges are current and of their schema, nodes of every role keep to them, and wrong ones do not."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

import protocol
from protocol.codec import encode
from protocol.site import Encoding
from protocol.specification import specification
from protocol.validation import read_message
from tests.exchanges.make import BOOT, FOLDER, NODES, exchanges_of, written
from tests.exchanges.playing import differences, files
from tests.faulty_nodes.every import FAULTY
from tests.sample import sampled

SCHEMA = json.loads(
    (Path(protocol.__file__).parent / "v1" / "exchange.schema.json").read_text(encoding="utf-8")
)
SAMPLE = 9
"""One exchange in so many is played by `make test`; all of them by `make exhaustive`."""
WRONG = (
    "TakesAnyBoot", "WrongBootRaisesMark", "TakesOldIds", "RaisesMarkOnlyForFitOrders", "IgnoresDeadlines",
    "CallsUnknownActsLate", "SilentAboutUnknownActs", "ForgetsCancelsOfUnseenOrders", "TakesTwoJobs",
    "ClaimsRaiseNothing", "ClaimsLowerTheMark", "RefusesARepeatedClaim", "PromisesToKeepOutWhatItsMarkDoesNot",
    "KeepsOneOrderOnly",
)  # fmt: skip
"""Desks with one mistake each, of those that the cases are tried with."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of one exchange, with where it stands."""

    where: str
    fields: Mapping[str, Any]


def steps() -> list[Step]:
    return [
        Step(f"{role}: {exchange['name']}, step {number}", step)
        for role, document in files().items()
        for exchange in document["exchanges"]
        for number, step in enumerate(exchange["steps"], 1)
    ]


def role_of(name: str) -> str:
    return next(role for role, node in NODES.items() if node == FAULTY[name].node)


@pytest.mark.parametrize("role", NODES)
def test_the_files_are_what_the_tables_give(role: str) -> None:
    assert (FOLDER / f"{role}.json").read_text(encoding="utf-8") == written(exchanges_of(role)), (
        "write them again: python -m tests.exchanges.make"
    )


@pytest.mark.parametrize("role", NODES)
def test_every_file_is_of_its_schema(role: str) -> None:
    """Judged by the `jsonschema` library."""
    Draft202012Validator.check_schema(SCHEMA)
    assert [error.message for error in Draft202012Validator(SCHEMA).iter_errors(files()[role])] == []


def test_names_are_unique_in_a_file() -> None:
    for role, document in files().items():
        names = [one["name"] for one in document["exchanges"]]
        assert len(names) == len(set(names)), role


def test_both_payloads_of_a_step_say_the_same() -> None:
    """All but the one that cannot be read; and what the kit's reader makes of them is written back alike."""
    for step in steps():
        said = read_message("job-order", step.fields["json"].encode(), closed=True).body
        told = read_message("job-order", bytes.fromhex(step.fields["cbor"]), closed=True).body
        assert said == told, step.where
        if said is None:
            assert step.fields["requirement"] == "ENC-10", step.where
        else:
            assert encode("job-order", said, Encoding.CBOR).hex() == step.fields["cbor"], step.where


def test_each_order_check_that_leads_to_a_report_is_tried() -> None:
    """Every reason with which the checks of an order refuse, but for those that the numbers here never meet."""
    reasons = {report.get("reason") for step in steps() for report in step.fields["must"]}
    wanted = {check.reason for check in specification().order_checks if check.reason}
    assert wanted - reasons == {"not-bench", "outside-table"}


def test_states_and_ends_of_jobs_are_all_tried() -> None:
    ends = {state for step in steps() for state in step.fields.get("state", {}).get("job_state", ())}
    assert ends == {"none", "accepted", "running", "done", "failed", "cancelled"}
    seen: dict[str, set[str]] = {}
    for step in steps():
        for role, state in step.fields.get("state", {}).get("machines", {}).items():
            seen.setdefault(role, set()).add(state)
    tables = specification().tables
    missing = {role: set(tables[role].states) - states for role, states in seen.items()}
    # By hand a crane is taken by a switch that no message plays; 'working' and what goes on by itself is left.
    assert missing == {"crane": {"manual", "working"}, "berth": set(), "shuttle": set()}


def test_ids_go_up_and_the_boot_is_that_of_the_file() -> None:
    for role, document in files().items():
        assert document["boot"] == BOOT, role
        for exchange in document["exchanges"]:
            marks = [step["state"]["mark"] for step in exchange["steps"] if "state" in step]
            assert marks == sorted(marks), exchange["name"]


def test_a_job_that_sensors_lead_on_may_say_so_in_the_same_step() -> None:
    """The row of the berth's table for the arming sensor sends a report, before or after the answer to the stimulus."""
    assert ["admitting", "arming", "", "armed", ["report", "state"]] in [
        [row.state, row.event, row.guard, row.next, list(row.sends)]
        for row in specification().tables["berth"].transitions
    ]
    armed = [step.fields for step in steps() if step.fields["says"] == "a train comes to the arming sensor"]
    assert len(armed) > 20
    for step in armed:
        assert {"act": ["admit"], "id": step["state"]["job"], "state": "running"} in step["may"]


def every(role: str, part: int) -> list[Mapping[str, Any]]:
    return list(files()[role]["exchanges"][::part])


@pytest.mark.parametrize("role", NODES)
def test_the_node_of_that_role_keeps_to_a_sample(role: str) -> None:
    assert differences(files()[role], exchanges=every(role, SAMPLE)) == []


@pytest.mark.exhaustive
@pytest.mark.parametrize("role", NODES)
def test_the_node_of_that_role_keeps_to_all_of_them(role: str) -> None:
    assert differences(files()[role]) == []


LONGER = (
    "ForgetsItsLastJob", "RemembersRefusedAsLastJob", "DoesRepeatsAgain", "TakesARepeatForACancel",
    "LooksForCancelsBeforeRepeats", "AnswersCancelsUnderTheirOwnId", "TakesTheMarkItself",
)  # fmt: skip
"""Those that need a job first: they take longer to be found."""


@pytest.mark.parametrize("name", sampled((*WRONG, *LONGER), WRONG))
def test_a_desk_with_a_mistake_does_not(name: str) -> None:
    assert differences(files()[role_of(name)], FAULTY[name].controller, first=True) != []


def test_there_are_mistakes_enough() -> None:
    assert len(set(WRONG)) >= 10
    assert len({FAULTY[name].requirement for name in WRONG}) >= 8
