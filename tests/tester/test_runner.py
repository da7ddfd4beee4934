"""The runner: what a broken prerequisite does, what is selected, in which order, and what is told meanwhile."""

from __future__ import annotations

import pytest

from conformance.suite.case import NODES, all_cases
from conformance.suite.fixture import Fixture
from conformance.suite.observation import Observing
from conformance.suite.verdict import Verdict
from conformance.tester.runner import not_selected, order, with_prerequisites
from tests.faulty_nodes.faulty import run_of
from tests.tester.small_cases import (
    OPEN,
    OPENING,
    case,
    crashes,
    fails,
    judges,
    passes,
    quiet,
    unclear,
    verdicts,
    watches,
)
from tests.tester.test_reports import Deaf


@pytest.mark.parametrize("body", [fails, unclear, crashes])
def test_a_broken_prerequisite_makes_all_that_rests_on_it_inconclusive(body: object) -> None:
    seen = verdicts(
        case("link-one", body, OPENING),
        case("link-two", passes, "link-one"),
        case("link-three", passes, "link-two"),
    )
    assert seen["link-two"] is seen["link-three"] is Verdict.INCONCLUSIVE


def test_a_prerequisite_that_is_not_selected_holds_nobody_up() -> None:
    seen = verdicts(
        case("link-one", fails, OPENING, moves=True), case("link-two", passes, "link-one"), motion=False
    )
    assert seen["link-one"] is Verdict.NONE
    assert seen["link-two"] is Verdict.PASS


def test_prerequisites_come_along_with_what_is_asked_for() -> None:
    chosen = [one.id for one in with_prerequisites(all_cases(), ("orders-stale",), NODES)]
    assert set(chosen) == {"link-says-on", "orders-ask", "claim-raises", "orders-stale"}


def test_order_puts_prerequisites_first_and_keeps_the_rest() -> None:
    ordered = [one.id for one in order(all_cases().values(), NODES)]
    for one in all_cases().values():
        assert all(ordered.index(id_) < ordered.index(one.id) for id_ in one.after)


def test_order_does_not_wait_for_prerequisites_that_the_node_does_not_have() -> None:
    """A job comes right after the crane has homed, where homing again is a short way."""
    ordered = [one.id for one in order(all_cases().values(), ("crane",))]
    assert ordered.index("orders-job") == ordered.index("crane-homes") + 1


def breaks_before_waiting(fixture: Fixture) -> Observing:
    fixture.check(False, "ORD-03", "one thing", "another")
    yield 1000


def test_cases_that_need_the_node_left_alone_share_that_time() -> None:
    run = run_of("ferry")
    cases = [OPEN, *(case(f"link-{ms}", quiet(ms), OPENING) for ms in (4000, 6000, 5000)),
             case("link-broken", breaks_before_waiting, OPENING), case("link-last", passes, OPENING)]  # fmt: skip
    results = run.perform(cases)
    passed = {id_ for id_, result in results.items() if result.verdict is Verdict.PASS}
    assert passed == set(results) - {"link-broken"}
    assert results["link-broken"].verdict is Verdict.FAIL
    assert list(results)[:2] == [OPENING, "link-last"], "what sends comes before the quiet time"
    assert 6000 <= sum(result.took_ms for result in results.values()) < 7000


def test_a_case_that_will_not_run_costs_no_quiet_time() -> None:
    run = run_of("ferry")
    results = run.perform(
        [OPEN, case("link-fails", fails, OPENING), case("link-long", quiet(9000), "link-fails")]
    )
    assert results["link-long"].verdict is Verdict.INCONCLUSIVE
    assert sum(result.took_ms for result in results.values()) < 1000


@pytest.mark.slow
def test_without_motion_no_motor_is_switched_on() -> None:
    for node in ("north", "siding", "ferry"):
        run = run_of(node)
        run.selection = type(run.selection)(motion=False)
        run.perform()
        status = run.fixture.log.latest("node-status")
        assert status is not None
        assert status.body["starts"] == 0
        assert run.verdict is Verdict.PASS


def test_the_same_seed_sends_the_same_bytes_and_another_others() -> None:
    def sent(seed: int) -> list[bytes]:
        run = run_of("ferry", seed=seed, only=("orders-late",))
        run.perform()
        return [message.payload for message in run.fixture.log.messages if not message.from_node]

    assert sent(3) == sent(3)
    assert not set(sent(3)) & set(sent(4))


def test_no_case_is_not_every_case() -> None:
    """A list of cases that has become empty on its way starts nothing that moves."""
    cases = all_cases()
    assert with_prerequisites(cases, (), NODES) == []
    assert with_prerequisites(cases, None, NODES) == list(cases.values())


def test_what_sends_comes_first_what_waits_next_and_what_judges_all_that_was_seen_last() -> None:
    cases = [
        case("link-passive", judges, passive=True),
        case("link-waits", watches),
        case("link-sends", passes),
    ]
    assert [one.id for one in order(cases, NODES)] == ["link-sends", "link-waits", "link-passive"]


def test_a_passive_case_sees_what_the_waiting_ones_saw() -> None:
    """It is judged from all that passed, the time of the others included, and brings nobody to rest for it."""
    run = run_of("ferry")
    seen: dict[str, int] = {}

    def last(fixture: Fixture) -> None:
        seen["end"] = fixture.log.end
        judges(fixture)

    results = run.perform(
        [
            OPEN,
            case("link-last", last, OPENING, passive=True),
            case("link-more", judges, OPENING, passive=True),
            case("link-waits", quiet(4000), OPENING),
        ]
    )
    assert list(results) == [OPENING, "link-waits", "link-last", "link-more"]
    assert seen["end"] == run.fixture.log.end
    assert results["link-last"].took_ms == 0


@pytest.mark.parametrize(
    ("more", "bench", "motion", "reason"),
    [
        ({}, True, True, ""),
        ({"roles": ("crane",)}, True, True, "for crane only"),
        ({"roles": ("crane", "shuttle")}, True, True, ""),
        ({"moves": True}, True, True, ""),
        ({"moves": True}, True, False, "it moves the machine"),
        ({"mode": "bench"}, True, True, ""),
        ({"mode": "bench"}, False, True, "the node is in service, and this needs one on the bench"),
        ({"mode": "service"}, False, True, ""),
        ({"mode": "service"}, True, True, "the node is on the bench, and this needs one in service"),
        ({"mode": "any"}, False, True, ""),
        ({"restarts": True}, True, True, ""),
        ({"applies": lambda _site, node: f"not for {node.name}"}, True, True, "not for ferry"),
    ],
)
def test_why_a_case_is_not_run(more: dict[str, object], bench: bool, motion: bool, reason: str) -> None:
    run = run_of("ferry", bench=bench)
    run.perform([OPEN])
    selection = type(run.selection)(motion=motion)
    assert not_selected(case("link-one", passes, **more), run.fixture, selection) == reason


def test_a_node_that_cannot_be_reset_is_spared_what_needs_it() -> None:
    run = run_of("ferry")
    run.perform([OPEN])
    run.fixture.bench.can_restart = False
    why = "there is no way to reset the node"
    assert not_selected(case("link-one", passes, restarts=True), run.fixture, run.selection) == why
    assert not_selected(case("link-one", passes), run.fixture, run.selection) == ""


def test_a_case_that_cannot_bring_the_node_to_rest_is_inconclusive() -> None:
    run = run_of("ferry", controller=Deaf)
    results = run.perform([OPEN, case("link-one", passes, OPENING)])
    assert results["link-one"].own is Verdict.INCONCLUSIVE
    assert "; besides: the node could not be brought to rest: " in results["link-one"].reason
    assert [one.requirement for one in results["link-one"].breaches] == ["ORD-01"]


def waits_twice(_fixture: Fixture) -> Observing:
    yield 100
    yield 100


def test_a_case_that_waits_twice_is_an_error_of_the_kit() -> None:
    run = run_of("ferry")
    result = run.perform([OPEN, case("link-twice", waits_twice, OPENING)])["link-twice"]
    assert result.verdict is Verdict.ERROR
    assert "link-twice wants to wait twice" in result.reason


def test_progress_tells_each_case_as_it_starts_and_with_its_result() -> None:
    run = run_of("ferry")
    told: list[tuple[str, Verdict | None]] = []
    run.progress = lambda one, result: told.append((one.id, result.verdict if result else None))
    moving = case("link-moves", passes, OPENING, moves=True)
    run.selection = type(run.selection)(motion=False)
    run.perform([OPEN, case("link-fails", fails, OPENING), case("link-next", passes, "link-fails"), moving])
    assert told == [
        (OPENING, None),
        (OPENING, Verdict.PASS),
        ("link-fails", None),
        ("link-fails", Verdict.FAIL),
        ("link-next", None),
        ("link-next", Verdict.INCONCLUSIVE),
        ("link-moves", Verdict.NONE),
    ]


def test_a_case_takes_the_time_of_its_own_body() -> None:
    run = run_of("ferry")

    def waits(fixture: Fixture) -> None:
        fixture.watch(700)
        judges(fixture)

    results = run.perform([OPEN, case("link-waits", waits, OPENING), case("link-next", passes, "link-waits")])
    assert 700 <= results["link-waits"].took_ms < 800
    assert 0 <= results["link-next"].took_ms < 100
