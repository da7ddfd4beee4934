"""Every gate before a jog, by what really reached the broker: without it nothing moves, and what may move is held."""

from __future__ import annotations

from itertools import pairwise

import pytest

from reference_node.measuring.gates import name_is_ours_ms
from reference_node.measuring.measuring_supervisor import MeasuringSupervisor
from reference_node.measuring.plan import Phase
from tests.measure.measured_yard import BERTH, CRANE, MeasuredYard, other_site, supervisor_status
from tests.supervisor.terminal import read

NEAR = {"ferry", CRANE, BERTH}
"""What reaches the siding: north meets south nowhere, for they load the ferry at different stops."""


@pytest.fixture(autouse=True)
def _shorter(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """All but the test of it need not wait for so long."""
    if "name" not in request.node.name:
        monkeypatch.setattr("reference_node.measuring.gates.name_is_ours_ms", lambda: 500)


def test_nothing_moves_before_the_name_is_ours_for_long_enough() -> None:
    """The broker is asked: another client of that name would be back by then."""
    yard = MeasuredYard()
    connected_ms = yard.time.now_ms
    yard.ready()
    first = min(at_ms for at_ms, _, _ in yard.orders("home", "jog", "admit", "reset-fault"))
    assert first - connected_ms >= name_is_ours_ms() > 10_000


def test_a_supervisor_that_takes_its_name_back_ends_it() -> None:
    yard = MeasuredYard()
    yard.at_rest()
    since = yard.time.now_ms
    other = MeasuringSupervisor(yard.site, "yard", nodes=(), boot=5, rng=yard.yard.rng, started_ms=since)
    yard.bus.attach(other)
    yard.ended("another client has taken this name")
    assert yard.moving(since) == []


@pytest.mark.parametrize("retain", [False, True])
def test_another_supervisor_that_says_it_is_on_ends_it(retain: bool) -> None:
    yard = MeasuredYard()
    yard.at_rest()
    since = yard.time.now_ms
    body = supervisor_status(yard.site, "yard", boot=5)
    yard.publish("yard", "node-status", body, retain=retain)
    yard.ended("yard is live")
    assert yard.moving(since) == []
    yard.run_for(1)
    assert yard.held_since(since) == NEAR


def test_an_order_of_somebody_else_ends_it() -> None:
    """A park that the node refuses, for its id is old: it shows that somebody orders all the same."""
    yard = MeasuredYard()
    yard.at_rest()
    since = yard.time.now_ms
    yard.publish("north", "job-order", {"act": "park", "boot": 1, "id": 1, "deadline": 1})
    yard.ended("somebody else has sent an order to north")
    yard.run_for(1)
    assert yard.held_since(since) == NEAR
    assert yard.moving(since) == []


def test_a_claim_of_somebody_else_ends_it() -> None:
    """Told by the mark of the node itself, wherever the claim was not overheard."""
    yard = MeasuredYard()
    yard.at_rest()
    since = yard.time.now_ms
    boot = yard.supervisor.sessions["ferry"].boot
    claim = {"act": "claim", "boot": boot, "id": (1 << 20) * 9, "token": 7}
    yard.bus.intercept = lambda _sender, receiver, one: (
        [] if receiver == "yard" and one.topic.endswith("/job-order") else None
    )
    yard.publish("ferry", "job-order", claim)
    yard.ended("another supervisor has claimed ferry")
    assert yard.moving(since) == []


def test_a_silent_node_is_no_yes() -> None:
    yard = MeasuredYard(without=["north"])
    yard.ended("does not answer: north")
    assert yard.moving() == []
    assert yard.orders("reset-fault") == []


def test_a_node_that_does_not_say_that_it_is_held_is_no_yes() -> None:
    """Its holds are lost on the way, and it goes on to say that it is free."""
    yard = MeasuredYard(starts=False)

    def lost(_sender: str, receiver: str, one: object) -> list[tuple[int, object]] | None:
        topic, payload = one.topic, one.payload  # type: ignore[attr-defined]
        body = read(topic, payload) if topic.endswith("/job-order") else None
        return [] if receiver == "ferry" and body is not None and body["act"] == "hold" else None

    yard.bus.intercept = lost  # type: ignore[assignment]
    yard.start()
    yard.ended("it does not say that it is held: ferry")
    assert yard.moving() == []


@pytest.mark.parametrize("node", ["ferry", CRANE, BERTH])
def test_a_node_that_starts_anew_ends_it(node: str) -> None:
    yard = MeasuredYard()
    yard.at_rest()
    since = yard.time.now_ms
    yard.bus.detach(node, graceful=False)
    yard.bus.attach(yard.yard.controller(node, yard.time.now_ms))
    yard.ended(node)
    yard.run_for(3)
    assert yard.held_since(since) == NEAR
    assert yard.moving(since) == []


def test_a_node_that_is_let_go_by_somebody_ends_it() -> None:
    """The resume itself is not overheard: the node's own word tells it."""
    yard = MeasuredYard()
    yard.at_rest()
    since = yard.time.now_ms
    session = yard.supervisor.sessions["ferry"]
    holds = session.words["shuttle-status"]["holds"]
    yard.bus.intercept = lambda _sender, receiver, one: (
        [] if receiver == "yard" and one.topic.endswith("/job-order") else None
    )
    order = {"act": "resume", "boot": session.boot, "id": session.mark + 1, "holds": holds}
    yard.publish("ferry", "job-order", order)
    yard.ended("ferry")
    assert yard.moving(since) == []


def test_a_node_on_the_bench_is_not_measured() -> None:
    yard = MeasuredYard(bench=["north"])
    yard.until(lambda: yard.course.ended)
    assert "bench" in yard.course.ended
    assert yard.moving() == []


def test_a_board_with_another_table_is_waited_for() -> None:
    yard = MeasuredYard(nodes_site=other_site())
    yard.run_for(90)
    assert yard.moving() == []
    assert any("it waits for the board to say the digest" in line for line in yard.told)
    yard.bus.detach(CRANE, graceful=False)
    yard.yard.site = yard.site
    yard.bus.attach(yard.yard.controller(CRANE, yard.time.now_ms))
    yard.ready()
    assert (CRANE, "home") in yard.moving()


# ---------------------------------------------------------------- while it is jogged
def test_silence_of_the_crane_in_a_jog_ends_it() -> None:
    yard = MeasuredYard()
    yard.at_rest()
    yard.say("x 40", then=None)
    yard.until(lambda: (CRANE, "jog") in yard.moving(yard.time.now_ms - 200))
    since = yard.time.now_ms
    yard.bus.cut(CRANE, 60_000)
    yard.ended("south has not been heard lately", within_s=8)
    yard.run_for(1)
    assert yard.held_since(since) == NEAR


def test_silence_of_the_bus_ends_it_and_holds_wait_for_it() -> None:
    yard = MeasuredYard()
    yard.at_rest()
    since = yard.time.now_ms
    yard.bus.sever("yard")
    yard.ended("the bus is away")
    yard.run_for(15)
    assert yard.held_since(since) == NEAR
    assert yard.moving(since) == []


def test_silence_of_the_person_ends_it() -> None:
    yard = MeasuredYard(patience_ms=60_000)
    yard.at_rest()
    since = yard.time.now_ms
    yard.run_for(50)
    assert not yard.course.ended
    yard.say("help")
    yard.run_for(50)
    assert not yard.course.ended
    yard.ended("nobody has said anything for 60 s", within_s=30)
    yard.run_for(1)
    assert yard.held_since(since) == NEAR


def test_one_word_holds_whatever_is_under_way_and_nothing_follows_by_itself() -> None:
    """In the middle of a way of many jogs; after the resume the one under way ends, and no other begins."""
    yard = MeasuredYard(largest=20)
    yard.at_rest()
    yard.say("over", then=None)
    yard.until(lambda: len(yard.orders("jog")) >= 3)
    yard.course.say("hold")
    since = yard.time.now_ms
    yard.run_for(1)
    assert yard.held_since(since) == NEAR
    assert yard.moving(since + 1) == []
    yard.say("x 5", then=None)
    assert "it is held" in yard.told[-1]
    yard.run_for(20)
    assert yard.moving(since + 1) == []
    yard.say("resume")
    assert yard.moving(since + 1) == []
    yard.say("x 5")
    assert yard.moving(since + 1) == [(CRANE, "jog")]


def test_a_word_while_it_moves_is_not_kept_for_later() -> None:
    yard = MeasuredYard()
    yard.at_rest()
    yard.say("x 40", then=None)
    yard.run_for(0.3)
    yard.course.say("x 40")
    assert yard.told[-1].startswith("not taken: it still moves")
    yard.until(lambda: yard.course.takes_words)
    yard.run_for(5)
    assert len(yard.orders("jog")) == len({body["id"] for _, _, body in yard.orders("jog")}) == 1


def test_one_axis_at_a_time_in_small_steps_and_the_hoist_first() -> None:
    """Each jog that went out against where the crane stood: one figure alone is another."""
    yard = MeasuredYard(largest=30)
    yard.at_rest()
    home = yard.stands()
    for line in ("over", "y 7", "z 30", "z 20", "x 3", "raise", "x 3", "x 31", "y 900", "z 30", "it"):
        yard.say(line)
    yard.say("next branch")
    jogs = [tuple(body["target"]) for _, _, body in yard.orders("jog")]
    for before, after in pairwise([home, *jogs]):
        changed = [axis for axis in range(3) if before[axis] != after[axis]]
        assert len(changed) <= 1, (before, after)
        assert all(abs(after[axis] - before[axis]) <= 30 for axis in changed)
        assert changed == [2] or after[2] == 0, "the hoist is at its travel height while another axis moves"
    refused = [line for line in yard.told if line.startswith("not done")]
    assert [line.split(":")[1].split(" ")[1] for line in refused] == ["z", "x", "y"]
    assert yard.course.phase is Phase.AT_REST
    assert yard.moving()[-3:] == [(CRANE, "jog"), (BERTH, "depart"), (BERTH, "admit")]
    assert jogs[-1][2] == 0


def test_the_berth_is_held_while_the_crane_is_jogged_and_the_ferry_all_the_time() -> None:
    yard = MeasuredYard()
    yard.at_rest()
    yard.say("x 5")
    yard.say("it 0.4")
    yard.say("next branch")
    assert yard.pairs[0].position == pytest.approx(yard.orders("jog")[-1][2]["target"][0] + 0.4)
    assert yard.pairs[0].came_up is True
    held: dict[str, bool] = {}
    for entry in yard.bus.log:
        body = read(entry.topic, entry.payload)
        node, message = entry.topic.split("/")[2:4]
        if body is not None and "held" in body:
            held[node] = body["held"]
        if body is not None and message == "job-order" and body["act"] in ("jog", "home"):
            assert held["ferry"]
            assert held[BERTH]
        if body is not None and message == "job-order" and body["act"] in ("admit", "depart"):
            assert held["ferry"]


def test_no_train_moves_below_a_hoist_that_is_not_known_to_be_up() -> None:
    yard = MeasuredYard()
    yard.ready()
    crane = yard.yard.machines[CRANE].crane
    assert crane is not None
    crane.by_hand = True  # Somebody takes the crane by hand: nobody knows where it is any more.
    yard.run_for(1)
    since = yard.time.now_ms
    yard.say("admit", then=None)
    yard.ended("hoist of south is not known to be at its travel height")
    assert yard.moving(since) == []


def test_quit_lets_go_what_was_held_and_moves_nothing() -> None:
    yard = MeasuredYard()
    yard.at_rest()
    since = yard.time.now_ms
    yard.say("quit", then=None)
    yard.run_for(3)
    assert (yard.course.ended, yard.course.stays_held) == ("ended by a person", False)
    assert {node for _, node, _ in yard.orders("resume", since_ms=since)} == {"ferry", BERTH}
    assert yard.moving(since) == []


def test_quit_while_it_moves_holds() -> None:
    yard = MeasuredYard()
    yard.at_rest()
    yard.say("x 40", then=None)
    yard.run_for(0.3)
    since = yard.time.now_ms
    yard.course.say("quit")
    assert yard.course.stays_held
    yard.run_for(1)
    assert yard.held_since(since) == NEAR
