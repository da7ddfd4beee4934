"""Small parts of the judge of a node, each by itself: what states leave open together, what is told, and when."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from conformance.oracle.answers import broken_by
from conformance.oracle.disturbances import CONNECTING_MS, EXCUSED_MS, Disturbances
from conformance.oracle.finding import Oracle
from conformance.oracle.node_state import NodeState, Outcome, Owed, not_below, united
from conformance.oracle.order_checks import Arrived, Judged
from conformance.oracle.order_effects import handled
from conformance.oracle.state_set import StateSet
from conformance.oracle.timing import Timing
from conformance.oracle.uptime_settings import UptimeSettings
from protocol.site_file import scenario
from protocol.specification import specification
from tests.oracle.messages import Said
from tests.oracle.script import Script
from tests.oracle.test_order_checks import BOOT, MARK, answers, state

SITE = scenario()
DONE, STALE = Outcome("done", None, "CLM-01"), Outcome("refused", "stale", "CLM-02")


# ---------------------------------------------------------------- two states that become one
def joined(first: NodeState, second: NodeState) -> NodeState:
    [one] = united([first, second])
    return one


@pytest.mark.parametrize(
    ("field", "mine", "yours", "both"),
    [
        ("mark", 1, 2, None),
        ("mark", 1, 1, 1),
        ("claimant", 5, 5, 5),
        ("claimant", 5, 6, -1),
        ("claimant", None, 6, -1),
        ("hold_token", 3, 3, 3),
        ("hold_token", 3, None, -1),
        ("act", "run", "run", "run"),
        ("act", "run", "home", ""),
        ("past_return", True, True, True),
        ("past_return", True, False, False),
        ("faults", 2, 3, 2),
        ("faults", 3, 2, 2),
        ("faults", 65_535, 1, 65_535),
        ("faults", 2, None, None),
        ("load", "box", "none", None),
        ("job_states", frozenset({"done"}), frozenset({"failed"}), frozenset({"done", "failed"})),
        ("roles", (frozenset({"lost"}),), (frozenset({"at-place"}),), (frozenset({"lost", "at-place"}),)),
        ("roles", (frozenset({"lost"}),), (None,), (None,)),
    ],
)
def test_states_that_are_united_leave_open_what_either_did(
    field: str, mine: Any, yours: Any, both: Any
) -> None:
    first, second = (state()._replace(**{field: one}) for one in (mine, yours))
    assert getattr(joined(first, second), field) == both


def owed(number: int = 1, **known: Any) -> Owed:
    usual: dict[str, Any] = {
        "number": number, "at_ms": 0.0, "act": "claim", "id": 9, "token": None, "boot": BOOT,
        "outcomes": frozenset({DONE}), "mark": 9,
    }  # fmt: skip
    return Owed(**usual | known)


@pytest.mark.parametrize(
    ("field", "mine", "yours", "both"),
    [
        ("id", 9, 9, 9),
        ("id", 9, 8, None),
        ("mark", 9, 8, None),
        ("begins", True, True, True),
        ("begins", True, False, False),
        ("claimant", 4, 4, 4),
        ("claimant", 4, 5, -1),
        ("deadline", 7, 7, 7),
        ("deadline", 7, 8, None),
        ("told", frozenset({"fault"}), frozenset(), frozenset({"fault"})),
        ("outcomes", frozenset({DONE}), frozenset({STALE}), frozenset({DONE, STALE})),
    ],
)
def test_so_do_the_reports_that_they_owe(field: str, mine: Any, yours: Any, both: Any) -> None:
    first, second = (state()._replace(owed=(owed(**{field: one}),)) for one in (mine, yours))
    assert getattr(joined(first, second).owed[0], field) == both


def test_states_that_owe_different_reports_or_have_handled_more_stay_apart() -> None:
    three = [state(), state()._replace(handled=1), state()._replace(owed=(owed(number=4),))]
    assert united(three) == three


@pytest.mark.parametrize(("count", "least", "is_"), [(3, 3, True), (4, 3, True), (2, 3, False), (0, 65_535, True),
                                                     (32_770, 3, True), (32_771, 3, False)])  # fmt: skip
def test_a_count_that_wraps_is_compared_by_half_its_range(count: int, least: int, is_: bool) -> None:
    assert not_below(count, least) is is_


# ---------------------------------------------------------------- what a wrong answer is told for
@pytest.mark.parametrize(
    ("outcomes", "body", "requirement"),
    [
        ({DONE}, {"state": "refused", "reason": "stale"}, "CLM-01"),
        ({DONE}, {"state": "refused", "reason": ""}, "CLM-01"),
        ({DONE}, {"state": "cancelled"}, "CLM-01"),
        ({STALE}, {"state": "refused", "reason": "busy"}, "CLM-02"),
        ({STALE, DONE}, {"state": "done"}, "CLM-02"),
        ({Outcome("refused", "late", "ORD-10"), DONE}, {"state": "failed"}, "CLM-01"),
        ({Outcome("refused", "late", "ORD-10")}, {"state": "accepted"}, "ORD-10"),
    ],
)
def test_a_wrong_answer_goes_against(outcomes: set[Outcome], body: dict[str, str], requirement: str) -> None:
    assert broken_by(owed(outcomes=frozenset(outcomes)), body) == requirement


def test_a_new_job_that_is_refused_goes_against_the_reason_that_is_given() -> None:
    taken = frozenset({Outcome("accepted", None, "ORD-15")})
    for reason, requirement in (("stale", "ORD-07"), ("busy", "ORD-12"), ("held", "HLD-03")):
        body = {"state": "refused", "reason": reason}
        assert broken_by(owed(outcomes=taken, begins=True), body) == requirement
        assert broken_by(owed(outcomes=taken), body) == "ORD-15"


# ---------------------------------------------------------------- what a person found
def after_reset(node: str, word: str, **said: Any) -> set[tuple[str, frozenset[str]]]:
    """The answers to a reset-fault, each with what the machine may be then."""
    body = {"act": "reset-fault", "boot": BOOT, "id": MARK + 1, "faults": 0} | said
    before = state(node, roles=(frozenset({word}),))
    order = Arrived(1, 0.0, body, late=False, bench=True)
    every = handled(before, order, Judged(SITE, SITE.nodes[node]), BOOT)
    return {(out.state, one.roles[0] or frozenset()) for one in every for out in one.owed[-1].outcomes}


@pytest.mark.parametrize(
    ("node", "word", "said", "answer", "then"),
    [
        ("north", "faulted", {}, "done", {"faulted", "ready", "unhomed"}),
        ("north", "faulted", {"found": "box"}, "done", {"faulted", "ready", "unhomed"}),
        ("north", "ready", {}, "done", {"ready"}),
        ("north", "faulted", {"place": "quay-n"}, "refused", {"faulted"}),
        ("siding", "lost", {"found": "none"}, "done", {"lost", "empty"}),
        ("siding", "lost", {}, "done", {"lost"}),
        ("siding", "lost", {"found": "box"}, "refused", {"lost"}),
        ("ferry", "lost", {"place": "quay-n"}, "done", {"lost", "at-place"}),
        ("ferry", "lost", {}, "done", {"lost"}),
        ("ferry", "lost", {"place": "nowhere"}, "refused", {"lost"}),
    ],
)
def test_a_reset_fault_makes_of_a_machine_what_was_found(
    node: str, word: str, said: dict[str, str], answer: str, then: set[str]
) -> None:
    found = after_reset(node, word, **said)
    assert {one for one in found if one[0] == answer} == {(answer, frozenset(then))}


@pytest.mark.parametrize(("node", "requirement"), [("siding", "BER-07"), ("ferry", "SHT-06")])
def test_what_cannot_be_there_is_refused_by_the_requirement_of_the_role(node: str, requirement: str) -> None:
    found = answers({"act": "reset-fault", "faults": 0, "found": "box", "place": "nowhere"}, node)
    assert {one[2] for one in found if one[:2] == ("refused", "nothing-found")} == {requirement}


# ---------------------------------------------------------------- what is late
def waiting(sure: bool = True) -> StateSet:
    states = StateSet(Judged(SITE, SITE.nodes["ferry"]), Counter())
    states.begin(BOOT, fresh=True)
    body = {"act": "claim", "boot": BOOT, "id": 256}
    states.arrived(Arrived(1, 100.0, body, sure=sure, late=False, bench=True))
    return states


def test_an_order_is_overdue_once_its_time_is_over() -> None:
    assert waiting().overdue(1_100.0, 1_000.0) is None
    found = waiting().overdue(1_100.5, 1_000.0)
    assert found is not None
    assert found.requirement == "ORD-01"


def test_one_that_may_be_lost_is_given_up_by_then_and_owed_no_more() -> None:
    """Only that it never came is left: a report about it then answers nothing."""
    states = waiting(sure=False)
    assert states.overdue(5_000.0, 1_000.0) is None
    report = {"act": "claim", "state": "done", "id": 256, "order_boot": BOOT, "mark": 256}
    assert states.overdue(9_000.0, 1_000.0) is None
    assert all(not one.owed for one in states.states)
    found = states.report(report)
    assert found is None or found.requirement == "ORD-14"


# ---------------------------------------------------------------- what disturbs a link
def test_a_fault_of_the_link_excuses_for_a_while() -> None:
    known = Disturbances(lambda: 0)
    assert not known.excuses(0.0)
    assert known.delays(0.0) == 0
    known.link_fault(100.0)
    end = 100.0 + EXCUSED_MS
    assert (known.excuses(end), known.excuses(end + 1)) == (True, False)
    assert (known.ends_behind(end - 1), known.ends_behind(end)) == (True, False)
    assert (known.delays(end), known.delays(end + 1)) == (EXCUSED_MS, 0)


def test_a_new_connection_excuses_shortly_and_never_for_less_than_before() -> None:
    known = Disturbances(lambda: 0)
    known.connected(0.0)
    assert (known.excuses(CONNECTING_MS), known.excuses(CONNECTING_MS + 1)) == (True, False)
    assert known.delays(0.0) == 0
    known.link_fault(0.0)
    known.connected(50.0)
    assert known.excuses(EXCUSED_MS)


def test_an_overrun_delays_and_excuses_nothing() -> None:
    known = Disturbances(lambda: 0)
    known.overrun(0.0)
    assert not known.excuses(1.0)
    assert known.delays(1.0) == EXCUSED_MS


def test_who_listens_is_told_nothing_by_times() -> None:
    known = Disturbances(lambda: 0)
    known.forget(always=True)
    assert known.excuses(1e12)
    assert known.delays(1e12) == EXCUSED_MS


def test_a_line_is_lossy_where_it_lost_more_since_the_last_look() -> None:
    lost = iter((0, 2, 2))
    known = Disturbances(lambda: next(lost))
    seen = []
    for _ in range(3):
        known.look()
        seen.append(known.lossy)
    assert seen == [False, True, False]


# ---------------------------------------------------------------- an uptime that is set
class Told(list[str]):
    """The requirements that were told of."""

    def __call__(self, requirement: str, _what: str, _oracle: Oracle, _at: int) -> None:
        self.append(requirement)


@pytest.mark.parametrize(
    ("uptime", "wrong"), [(5_000, False), (5_125, False), (5_126, True), (4_999, True), (9_000, True)]
)
def test_the_uptime_that_was_set_shows_in_the_report(uptime: int, wrong: bool) -> None:
    """100 ms later by our clock: 5 % of that and 20 ms are left to it."""
    told, counted = Told(), Counter[str]()
    settings = UptimeSettings(Timing(told, counted))
    settings.came({"act": "set-uptime", "id": 300, "uptime": 5_000}, 0.0)
    assert settings.open
    message = Said()("job-report", act="set-uptime", state="done", id=300, uptime=uptime)
    settings.reported(message)
    assert (told, settings.open, counted["BEN-04"]) == (["BEN-04"] if wrong else [], False, 1)


@pytest.mark.parametrize(("id_", "state_"), [(301, "done"), (300, "refused")])
def test_nothing_was_set_by_another_report(id_: int, state_: str) -> None:
    told, counted = Told(), Counter[str]()
    settings = UptimeSettings(Timing(told, counted))
    settings.came({"act": "set-uptime", "id": 300, "uptime": 5_000}, 0.0)
    settings.reported(Said()("job-report", act="set-uptime", state=state_, id=id_, uptime=90_000))
    assert (told, counted["BEN-04"]) == ([], 0)


# ---------------------------------------------------------------- a boot and its connection
@pytest.mark.parametrize("boot", [0, 7])
def test_a_node_that_restarts_by_itself_is_told_whatever_its_boot_was(boot: int) -> None:
    script = Script()
    script.boot = boot
    script.oracle.restarted()
    script.connection += 1
    script.comes_up()
    script.fence()
    assert script.words() == ""
    script.boot = boot + 1
    script.comes_up()
    assert ("MSG-05", Oracle.RESTART) in script.found()


def test_an_order_that_is_late_by_the_deadline_is_followed_to_its_start() -> None:
    """ORD-23: a job that was taken in time starts before its deadline is over."""
    script = Script()
    script.status_says(minor=specification().minor)
    script.claim(256)
    script.run(257)
    script.wait(12_000)
    script.comes_up()
    script.report("run", 257, "running", step="travel", load="unsure")
    assert "ORD-23" in {requirement for requirement, _ in script.found()}
