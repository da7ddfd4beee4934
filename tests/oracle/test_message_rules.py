"""What a message of a crane says against those before it, rule by rule, as it should be and a little otherwise."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from conformance.oracle.finding import Oracle
from conformance.oracle.message_rules import MessageRules
from protocol.site_file import scenario
from tests.oracle.messages import Said

SITE = scenario()
AXES = len(SITE.nodes["north"].crane.axes) if SITE.nodes["north"].crane else 0
STATUS: dict[str, Any] = {
    "state": "on", "link": 1, "roles": ["crane"], "firmware": "x", "minor": 1, "reads": "both", "reset": "power-on",
    "digest": 1, "buffer": 384, "bench": False,
}  # fmt: skip


class Crane:
    """The crane 'north', and what is told of it."""

    def __init__(self) -> None:
        self.told: list[tuple[str, str]] = []
        self.counted: Counter[str] = Counter()
        self.rules = MessageRules(SITE, "north", self._tell, self.counted)
        self._message = Said()

    def _tell(self, requirement: str, what: str, _oracle: Oracle, _number: int) -> None:
        self.told.append((requirement, what))

    def says(self, name: str, body: dict[str, Any], *, steady: bool = False) -> None:
        self.rules.said(self._message(name, **body), steady=steady)

    def status(self, **more: Any) -> None:
        self.says("node-status", STATUS | more)

    def stands(self, mode: str, axes: list[list[Any]] | None = None, **more: Any) -> None:
        body = {"mode": mode, "axes": axes or [[0, 0, True]] * AXES, "spreader": "open", "load": "none"}
        self.says("crane-status", body | more)


@pytest.mark.parametrize("mode", ["homing", "working"])
def test_an_axis_becomes_homed_where_the_crane_homes(mode: str) -> None:
    crane = Crane()
    crane.stands(mode, [[0, 0, False]] * AXES)
    crane.stands(mode, [[0, 0, True]] * AXES)
    assert (crane.told, crane.counted["CRN-11"]) == ([], AXES)


def test_an_axis_that_becomes_homed_by_itself_is_told() -> None:
    crane = Crane()
    crane.stands("unhomed", [[0, 0, False]] * AXES)
    crane.stands("unhomed", [[0, 0, True], *[[0, 0, False]] * (AXES - 1)])
    assert crane.told == [("CRN-11", "axis 1 became homed while the crane was 'unhomed'")]


@pytest.mark.parametrize("apart", [False, True])
def test_after_a_job_that_is_done_every_axis_is_where_it_was_sent(apart: bool) -> None:
    crane = Crane()
    crane.stands("working", job=4, job_state="running")
    crane.stands("ready", [[7, 9 if apart else 7, True]] * AXES, job=4, job_state="done")
    wrong = [("CRN-11", "is ready after its job at 7, and was sent to 9")]
    assert crane.told == (wrong if apart else [])


@pytest.mark.parametrize("mode", ["ready", "faulted"])
@pytest.mark.parametrize("there", [True, False])
def test_a_jog_is_done_where_its_targets_are_those_of_the_order(mode: str, there: bool) -> None:
    crane = Crane()
    crane.rules.came({"act": "jog", "id": 4, "target": [5] * AXES})
    crane.stands("working", job=4, job_state="running")
    crane.stands(mode, [[5, 5 if there else 6, True]] * AXES, job=4, job_state="done")
    told = [what for requirement, what in crane.told if requirement == "ORD-16"]
    assert len(told) == (mode == "ready" and not there)
    assert crane.counted["ORD-16"] == 1 + (
        mode == "ready"
    )  # It is not at work any more, and it is where it was sent.


@pytest.mark.parametrize("field", ["digest", "firmware", "reset", "buffer"])
def test_what_never_changes_in_a_boot_is_the_same_in_the_next_status(field: str) -> None:
    crane = Crane()
    crane.status()
    crane.status()
    assert crane.told == []
    assert crane.counted["MSG-12"] > 0
    crane.status(**{field: "another"})
    assert [requirement for requirement, _ in crane.told] == ["MSG-12"]


@pytest.mark.parametrize(("before", "after"), [("on", "off"), ("off", "on")])
def test_a_status_that_is_not_on_is_held_against_nothing(before: str, after: str) -> None:
    crane = Crane()
    crane.status(state=before)
    crane.status(state=after, digest=2)
    assert (crane.told, crane.counted["MSG-12"]) == ([], 0)


@pytest.mark.parametrize(("link", "wrong"), [(1, True), (2, False), (3, False), (4, True)])
def test_the_connection_count_goes_up_by_what_connected(link: int, wrong: bool) -> None:
    crane = Crane()
    crane.status()
    crane.rules.reconnected()
    crane.rules.reconnected()
    crane.status(link=link)
    assert [requirement for requirement, _ in crane.told] == ["LNK-09"] * wrong


@pytest.mark.parametrize("steady", [True, False])
@pytest.mark.parametrize("load", ["box", "none"])
def test_a_box_on_its_way_is_held_where_no_sensor_is_played(steady: bool, load: str) -> None:
    crane = Crane()
    crane.rules.came({"act": "transfer", "id": 4, "box": "C-1"})
    report = {
        "act": "transfer",
        "id": 4,
        "state": "running",
        "step": "travel-to-drop",
        "box": "C-1",
        "load": load,
    }
    crane.says("job-report", report, steady=steady)
    assert [requirement for requirement, _ in crane.told] == ["CRN-10"] * (steady and load == "none")


def test_another_box_than_that_of_the_order_is_told() -> None:
    crane = Crane()
    crane.rules.came({"act": "transfer", "id": 4, "box": "C-1"})
    report = {
        "act": "transfer",
        "id": 4,
        "state": "running",
        "step": "lower-to-drop",
        "box": "C-2",
        "load": "box",
    }
    crane.says("job-report", report)
    assert crane.told == [("CRN-10", "at step 'lower-to-drop' it names box C-2, and not C-1")]


@pytest.mark.parametrize(
    ("load", "steady", "wrong"), [("box", True, 1), ("box", False, 0), ("none", True, 0)]
)
def test_behind_a_transfer_that_is_done_it_holds_nothing(load: str, steady: bool, wrong: int) -> None:
    crane = Crane()
    crane.rules.came({"act": "transfer", "id": 4, "box": "C-1"})
    crane.says("job-report", {"act": "transfer", "id": 4, "state": "done", "load": load}, steady=steady)
    assert [requirement for requirement, _ in crane.told] == ["CRN-10"] * wrong
