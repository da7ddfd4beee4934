"""One state message against one state that a node may be in: what it may say and tell."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import pytest

from conformance.oracle.answers import Mismatch
from conformance.oracle.node_state import NodeState
from conformance.oracle.order_checks import Judged
from conformance.oracle.state_words import StateWords
from protocol.site_file import scenario
from tests.oracle.test_order_checks import MARK, state

SITE = scenario()
NODES = SITE.nodes
TWO = replace(NODES["north"], roles=("crane", "berth"), berth=NODES["siding"].berth)
JOB = 400
TOPIC = {"ferry": "shuttle-status", "north": "crane-status", "siding": "train-arrival"}
WORD: dict[str, dict[str, Any]] = {
    "ferry": {"state": "at-place"},
    "north": {"mode": "ready", "load": "none"},
    "siding": {"state": "empty", "arrival": 0},
}
TABLE = {"ferry": "SHT-02", "north": "CRN-02", "siding": "BER-02"}
UP = {"ferry": "SHT-01", "north": "CRN-01", "siding": "BER-01"}


class Read:
    """A message that is read, and what was judged of it."""

    def __init__(self, before: NodeState, *, node: str = "ferry", name: str = "", came: bool = True,
                 steady: bool = True, site: Any = None, **body: Any) -> None:  # fmt: skip
        self.counted: Counter[str] = Counter()
        usual: dict[str, Any] = {"mark": MARK, "held": False, "holds": 0} | WORD[node]
        said = {key: value for key, value in (usual | body).items() if value is not None}
        words = StateWords(
            Judged(SITE, site or NODES[node]), name or TOPIC[node], said, came=came, steady=steady,
            count=lambda *requirements: self.counted.update(requirements),
        )  # fmt: skip
        self.found = words.over(before)

    @property
    def then(self) -> NodeState:
        assert isinstance(self.found, NodeState), self.found
        return self.found

    @property
    def wrong(self) -> str:
        assert isinstance(self.found, Mismatch), self.found
        return self.found.requirement

    @property
    def what(self) -> str:
        assert isinstance(self.found, Mismatch), self.found
        return self.found.what

    @property
    def fits(self) -> int:
        assert isinstance(self.found, Mismatch), self.found
        return self.found.fits


# ---------------------------------------------------------------- the mark
@pytest.mark.parametrize("name", ["node-status", "shuttle-status"])
@pytest.mark.parametrize("mark", [MARK - 1, MARK + 1])
def test_another_mark_than_that_of_what_came(name: str, mark: int) -> None:
    """ORD-08; CLM-04: after a reset the mark is 0, and only orders for the new boot raise it."""
    assert Read(state(), name=name, mark=mark).wrong == "ORD-08"
    assert Read(state(), name=name, mark=mark, came=False).wrong == "CLM-04"
    assert Read(state(mark=None), name=name, mark=mark).then.mark == mark


@pytest.mark.parametrize(("known", "judged"), [(MARK, 1), (None, 0)])
def test_the_mark_counts_as_judged_where_it_was_known(known: int | None, judged: int) -> None:
    assert Read(state(mark=known), name="node-status").counted["ORD-08"] == judged


def test_a_node_status_tells_of_the_mark_alone() -> None:
    before = state(held=True, holds=9, job=None)
    assert Read(before, name="node-status").then == before


# ---------------------------------------------------------------- the count of faults
@pytest.mark.parametrize(
    ("least", "said", "fine"),
    [(3, 3, True), (3, 4, True), (3, 2, False), (65_535, 0, True), (0, 65_535, False), (None, 7, True)],
)
def test_the_count_of_faults_does_not_go_back(least: int | None, said: int, fine: bool) -> None:
    """FLT-01; after an order the count that it named [FLT-04]."""
    if fine:
        assert Read(state(faults=least), name="fault", faults=said).then == state(faults=said)
    else:
        assert Read(state(faults=least), name="fault", faults=said).wrong == "FLT-04"
        assert Read(state(faults=least), name="fault", faults=said, came=False).wrong == "FLT-01"


# ---------------------------------------------------------------- the hold
@pytest.mark.parametrize(("said", "fine"), [(3, True), (4, False), (2, False)])
def test_holds_are_those_that_came(said: int, fine: bool) -> None:
    """HLD-01: the count of holds goes up by one."""
    found = Read(state(holds=3), holds=said)
    if fine:
        assert found.counted["HLD-01"] == 1
        assert found.then.holds == said
    else:
        assert found.wrong == "HLD-01"
    unknown = Read(state(holds=None), holds=said)
    assert (unknown.then.holds, unknown.counted["HLD-01"]) == (said, 0)


@pytest.mark.parametrize(
    ("known", "said", "came", "wrong"),
    [
        (True, False, True, "HLD-01"),
        (False, True, True, "HLD-05"),
        (True, False, False, "HLD-05"),
        (False, True, False, "HLD-05"),
        (True, True, True, ""),
        (None, True, True, ""),
        (None, False, True, ""),
    ],
)
def test_held_is_what_holds_and_resumes_make_it(
    known: bool | None, said: bool, came: bool, wrong: str
) -> None:
    """HLD-01 and HLD-05: where no hold was counted it is one that a resume should have ended."""
    found = Read(state(held=known), held=said, came=came)
    if wrong:
        assert found.wrong == wrong
    else:
        assert found.then.held is said


# ---------------------------------------------------------------- the job
@pytest.mark.parametrize(("said", "wrong"), [(JOB + 1, "ORD-09"), (JOB - 1, "MSG-10"), (None, "MSG-10")])
def test_another_job_than_what_came_makes_it(said: int | None, wrong: str) -> None:
    """ORD-09: a refused order does not become the last job; MSG-10: state messages name the current or last one."""
    known = state(job=JOB, job_states=frozenset({"done"}))
    assert Read(known, job=said, job_state="done" if said else None).wrong == wrong
    assert Read(state(), job=said or 1, job_state="done").wrong == "ORD-09", "it had none"


def test_both_jobs_are_named() -> None:
    known = state(job=JOB, job_states=frozenset({"done"}))
    assert Read(known).what == f"its job is none, and by what came it is {JOB}"
    assert Read(state(), job=JOB, job_state="done").what == f"its job is {JOB}, and by what came it is none"


def test_a_job_that_has_ended_in_any_way_does_not_begin_again() -> None:
    """ORD-06, where it is open again; in another end it was never [ORD-15]."""
    ended = state(job=JOB, job_states=frozenset({"done", "failed", "cancelled"}))
    assert Read(ended, job=JOB, job_state="running").wrong == "ORD-06"
    assert Read(ended, job=JOB, job_state="failed").then.job_states == {"failed"}


@pytest.mark.parametrize(
    ("was", "is_", "wrong"),
    [
        ("accepted", "accepted", ""),
        ("accepted", "running", ""),
        ("accepted", "done", ""),
        ("running", "failed", ""),
        ("running", "accepted", "ORD-15"),
        ("running", "cancelled", "ORD-15"),
        ("done", "done", ""),
        ("done", "failed", "ORD-15"),
        ("done", "running", "ORD-06"),
        ("cancelled", "accepted", "ORD-06"),
    ],
)
def test_a_job_goes_through_its_states(was: str, is_: str, wrong: str) -> None:
    """ORD-15, and ORD-06 where it begins again."""
    found = Read(state(job=JOB, job_states=frozenset({was})), job=JOB, job_state=is_)
    if wrong:
        assert found.wrong == wrong
    else:
        assert (found.then.job, found.then.job_states) == (JOB, frozenset({is_}))
        assert found.counted == Counter(["ORD-08", "HLD-01", "ORD-09", "MSG-10", "ORD-15", *_role(found)])


def _role(found: Read) -> list[str]:
    return [one for one in found.counted if one in ("SHT-02", "SHT-01")]


def test_without_a_job_there_is_no_state_of_one() -> None:
    found = Read(state())
    assert (found.then.job, found.then.job_states) == (0, frozenset())
    assert (found.counted["ORD-09"], found.counted["MSG-10"], found.counted["ORD-15"]) == (1, 1, 0)


def test_where_the_job_is_not_known_the_message_tells_it() -> None:
    found = Read(state(job=None, held=None, holds=None), job=JOB, job_state="running", held=True, holds=4)
    then = found.then
    assert (then.job, then.job_states, then.held, then.holds) == (JOB, frozenset({"running"}), True, 4)
    assert found.counted["ORD-09"] == 0
    assert Read(state(job=None)).then.job == 0


@pytest.mark.parametrize("field", ["held", "holds", "job", "job_states"])
def test_each_of_hold_and_job_is_taken_over(field: str) -> None:
    known: dict[str, Any] = {"held": True, "holds": 5, "job": JOB, "job_states": frozenset({"done"})}
    said: dict[str, Any] = {"held": True, "holds": 5, "job": JOB, "job_state": "done"}
    unknown = frozenset({"done", "failed"}) if field == "job_states" else None
    then = Read(state(**known | {field: unknown}), **said).then
    assert then == state(**known)


# ---------------------------------------------------------------- the machine
@pytest.mark.parametrize(
    ("node", "was", "is_", "fine"),
    [
        ("ferry", "at-place", "at-place", True),
        ("ferry", "at-place", "lost", True),
        ("ferry", "at-place", "moving", False),
        ("ferry", "lost", "at-place", False),
        ("siding", "empty", "lost", True),
        ("siding", "empty", "at-rest", False),
        ("north", "ready", "faulted", True),
        ("north", "ready", "manual", True),
        ("north", "ready", "unhomed", True),
        ("north", "ready", "working", False),
        ("north", "unhomed", "ready", False),
    ],
)
def test_a_machine_at_rest_goes_nowhere_by_itself(node: str, was: str, is_: str, fine: bool) -> None:
    """SHT-02, BER-02, CRN-02, and before any order what it comes up as: SHT-01, BER-01, CRN-01."""
    own: dict[str, Any] = {"mode" if node == "north" else "state": is_}
    known = state(node, roles=(frozenset({was}),))
    for came, requirement in ((True, TABLE[node]), (False, UP[node])):
        found = Read(known, node=node, came=came, **own)
        if fine:
            assert found.counted[requirement] == 1
            assert found.then.roles == (frozenset({is_}),)
        else:
            assert found.wrong == requirement


@pytest.mark.parametrize(
    ("node", "word", "rests"),
    [
        ("ferry", "at-place", True),
        ("ferry", "lost", True),
        ("ferry", "moving", False),
        ("siding", "at-rest", True),
        ("siding", "armed", False),
        ("north", "manual", True),
        ("north", "working", False),
    ],
)
def test_it_is_known_where_it_rests_with_no_job_open(node: str, word: str, rests: bool) -> None:
    own: dict[str, Any] = {"mode" if node == "north" else "state": word}
    unknown: dict[str, Any] = {"roles": (None,)}
    assert Read(state(node, **unknown), node=node, **own).then.roles == (
        (frozenset({word}) if rests else None),
    )
    for job_state, known in (("done", rests), ("running", False)):
        job: dict[str, Any] = {"job": JOB, "job_states": frozenset({job_state})}
        found = Read(state(node, **unknown | job), node=node, job=JOB, job_state=job_state, **own)
        assert found.then.roles == ((frozenset({word}) if known else None),)
        assert TABLE[node] not in found.counted


@pytest.mark.parametrize(
    ("steady", "job_state", "load"), [(True, "done", "box"), (False, "done", None), (True, "running", None)]
)
def test_the_load_of_a_crane_is_known_where_it_rests_and_no_sensor_is_played(
    steady: bool, job_state: str, load: str | None
) -> None:
    job = {"job": JOB, "job_states": frozenset({job_state})}
    for before in (None, "none", "box"):
        known = state("north", roles=(None,), load=before, **job)
        found = Read(known, node="north", steady=steady, job=JOB, job_state=job_state, load="box")
        assert found.then.load == load


def test_of_other_machines_no_load_is_known() -> None:
    assert Read(state(load=None), load="box").then.load is None


@pytest.mark.parametrize(
    ("known", "said", "fine"), [(4, 4, True), (4, 5, False), (4, 3, False), (None, 5, True)]
)
def test_arrivals_are_the_admits_that_were_accepted(known: int | None, said: int, fine: bool) -> None:
    """BER-06."""
    found = Read(state("siding", arrivals=known), node="siding", arrival=said)
    if fine:
        assert found.then.arrivals == said
    else:
        assert found.wrong == "BER-06"


def test_a_node_of_two_roles_is_told_by_the_message_of_each() -> None:
    known: dict[str, Any] = {"roles": (frozenset({"ready"}), None), "arrivals": None}
    found = Read(state("north", **known), node="siding", site=TWO, state="at-rest", arrival=3)
    assert (found.then.roles, found.then.arrivals) == ((frozenset({"ready"}), frozenset({"at-rest"})), 3)
    found = Read(state("north", **known), node="north", site=TWO, mode="manual")
    assert found.then.roles == (frozenset({"manual"}), None)
    assert Read(state("north", **known), node="ferry", site=TWO).then == state("north", **known), (
        "no role of it"
    )


# ---------------------------------------------------------------- which of several states is told
@pytest.mark.parametrize(
    ("said", "fits"),
    [
        ({"mark": MARK + 1}, 3),
        ({"mark": MARK + 1, "holds": 1}, 2),
        ({"mark": MARK + 1, "holds": 1, "held": True}, 1),
        ({"mark": MARK + 1, "holds": 1, "held": True, "job": JOB, "job_state": "done"}, 0),
        ({"holds": 1}, 3),
        ({"held": True}, 3),
        ({"job": JOB, "job_state": "done"}, 3),
        ({"state": "moving"}, 5),
        ({"state": "moving", "job": JOB, "job_state": "done"}, 3),
    ],
)
def test_the_state_that_has_most_in_common_with_the_message_explains_it(
    said: dict[str, Any], fits: int
) -> None:
    """Where the machine alone is wrong it is told before all else."""
    assert Read(state(), **said).fits == fits


def test_what_is_not_known_is_taken_to_fit() -> None:
    for field in ("held", "holds", "job"):
        unknown: dict[str, Any] = {field: None}
        assert Read(state(**unknown), mark=MARK + 1, held=True, holds=2, job=JOB).fits == 1
    assert Read(state("siding"), node="siding", arrival=9).fits == 5
    assert Read(state("siding"), node="siding", state="at-rest").fits == 5
    assert Read(state(faults=4), name="fault", faults=3).fits == 1
