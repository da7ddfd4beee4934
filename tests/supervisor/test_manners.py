"""What a supervisor sends, and when it sends nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from protocol.specification import specification
from protocol.validation import read_publication
from reference_node.supervisor.observe.pace import Pace
from reference_node.supervisor.plan.goals import Admit, Move
from reference_node.supervisor.questions.question import Ask, Question
from tests.supervisor.terminal import EMPTY_TRAIN, NODES, Hand, Terminal, where
from tests.supervisor.test_next_step import CYCLE


def test_everything_it_sends_is_valid_and_fits() -> None:
    """Judged closed, as a sender's message: schema, encoding, sizes, retain and QoS."""
    terminal = Terminal()
    supervisor = terminal.supervise(goals=CYCLE)
    terminal.run_until(lambda: supervisor.finished)
    sent = [entry for entry in terminal.bus.log if entry.sender == "yard"]
    findings = [
        (entry.topic, finding)
        for entry in sent
        for finding in read_publication(
            entry.topic, entry.payload, retain=entry.retain, qos=entry.qos
        ).findings
    ]
    assert findings == []
    assert {entry.topic.split("/")[3] for entry in sent} == {"node-status", "job-order", "yard-map"}


def test_orders_are_written_as_the_node_reads_them() -> None:
    """ENC-08: south reads JSON only, siding CBOR only."""
    terminal = Terminal()
    supervisor = terminal.supervise(goals=CYCLE)
    terminal.run_until(lambda: supervisor.finished)
    first_bytes = {
        node: {entry.payload[:1] for entry in terminal.bus.log if entry.topic.endswith(f"/{node}/job-order")}
        for node in NODES
    }
    assert first_bytes["south"] == {b"{"}
    assert all(b"{" not in first_bytes[node] for node in ("north", "siding", "ferry"))


def test_ids_go_up_and_repeats_are_unchanged_and_in_time() -> None:
    """SUP-04, SUP-05, SUP-18."""
    terminal = Terminal(seed=3, loss=0.2, repeat=0.2)
    supervisor = terminal.supervise(goals=CYCLE)
    terminal.run_until(lambda: supervisor.finished, within_s=400)
    for node in NODES:
        numbered = [body for body in terminal.orders(node) if "id" in body]
        first_seen = list(dict.fromkeys(body["id"] for body in numbered))
        assert first_seen == sorted(first_seen)
        for id_ in first_seen:
            assert len({repr(body) for body in numbered if body["id"] == id_}) == 1


def test_ids_of_a_claim_are_used_up() -> None:
    """SUP-03: 255 orders, then another claim; none of its ids is used twice."""
    terminal = Terminal(nodes=("north",))
    supervisor = terminal.supervise()
    session = supervisor.sessions["north"]
    terminal.run_until(lambda: session.owned)
    first = session.claim
    while session.claim == first:
        session.order("resume", terminal.time.now_ms, holds=0)
        terminal.run_until(lambda: not session.open and session.owned, 10)
        terminal.run_for(0.2)
        terminal.run_until(lambda: session.owned, 10)
    ids = [body["id"] for body in terminal.orders("north", "resume")]
    assert len(set(ids)) == len(ids)
    assert 200 < max(ids) - first <= int(specification().timing["claim_orders"].value or 0)


def test_a_bench_node_keeps_the_site_still() -> None:
    """SUP-15."""
    terminal = Terminal(nodes=("south", "siding", "ferry"))
    terminal.add("north", bench=True)
    supervisor = terminal.supervise(goals=CYCLE)
    terminal.run_for(30)
    assert supervisor.troubles == ["north is on the bench: a site with a bench node is not run"]
    jobs = specification().jobs
    assert [body for node in NODES for body in terminal.orders(node, *jobs)] == []


def test_a_node_set_up_from_another_site_file_gets_no_moving_order() -> None:
    """SUP-20."""
    terminal = Terminal()
    theirs = terminal.site.nodes["north"]
    site = replace(
        terminal.site, nodes={**terminal.site.nodes, "north": replace(theirs, digest=theirs.digest ^ 1)}
    )
    goal = Move("B2", "ferry", 0)
    terminal.site = site
    supervisor = terminal.supervise(goals=(goal,))
    terminal.run_for(30)
    assert "another site file" in supervisor.waiting[goal]
    assert terminal.orders("north", "home", "transfer") == []
    assert terminal.orders("south", "home") != []


def test_a_silent_neighbour_keeps_a_crane_still() -> None:
    """SUP-21: nothing starts at a node that is not heard, nor next to it."""
    terminal = Terminal()
    supervisor = terminal.supervise()
    terminal.run_until(lambda: supervisor.was_owned and all(s.idle() for s in supervisor.sessions.values()))
    terminal.run_for(10)
    terminal.bus.cut("ferry", for_ms=40_000)
    terminal.run_for(7)
    goal = Move("B2", "stack-n", 3)
    supervisor.add(goal)
    terminal.run_for(10)
    assert supervisor.waiting[goal] == "ferry has not been heard lately"
    terminal.run_until(lambda: supervisor.finished)
    assert where(terminal.truth, "B2") == ("stack-n", 3)


def test_questions_wait_for_a_person_and_nothing_moves_there_meanwhile() -> None:
    """SUP-19: lost track and lost shuttle, asked only once the cranes there are known to have no job open."""
    terminal = Terminal()
    asked: list[Question] = []
    supervisor = terminal.supervise(goals=(Admit("siding", "T1", EMPTY_TRAIN),), on_question=asked.append)
    terminal.run_for(30)
    assert {(question.about, question.node, question.place) for question in supervisor.questions} == {
        (Ask.TRACK, "siding", "siding"),
        (Ask.SHUTTLE, "ferry", "ferry"),
        (Ask.SLOTS, "", "stack-n"),
        (Ask.SLOTS, "", "stack-s"),
    }
    assert [body for node in NODES for body in terminal.orders(node, *specification().jobs)] == []

    for question in list(supervisor.questions):
        terminal.person(question)
    terminal.run_until(lambda: bool(supervisor.questions) or supervisor.finished)
    for question in list(supervisor.questions):
        terminal.person(question)
    terminal.run_until(lambda: supervisor.finished)


def test_an_answer_that_does_not_fit_leaves_the_question_open() -> None:
    terminal = Terminal()
    supervisor = terminal.supervise(on_question=lambda question: None)
    terminal.run_until(lambda: len(supervisor.questions) == 4)
    shuttle = next(question for question in supervisor.questions if question.about == Ask.SHUTTLE)
    with pytest.raises(ValueError, match="quay-n, quay-s, not 'quay-w'"):
        shuttle.answer("quay-w")
    assert shuttle.is_open
    slots = next(question for question in supervisor.questions if question.place == "stack-s")
    with pytest.raises(ValueError, match="stack-s has 2 slots, not 1"):
        slots.answer("")


def test_own_hold_stops_all_and_release_goes_on() -> None:
    """HLD-01, HLD-05, SUP-14: a node that boots while the hold stands is held again."""
    terminal = Terminal()
    supervisor = terminal.supervise(goals=(Move("B2", "stack-n", 3),))
    terminal.run_until(lambda: bool(terminal.orders("north", "transfer")))
    for name in supervisor.sessions:
        supervisor.hold(name)
    terminal.run_until(lambda: all(one.held for one in terminal.controllers.values()), 5)
    terminal.reset("south")
    terminal.run_until(lambda: terminal.controllers["south"].held, 20)
    terminal.run_for(20)
    assert not supervisor.finished
    assert [supervisor.release(name) for name in supervisor.sessions] == [""] * 4
    terminal.run_until(lambda: supervisor.finished, 60)
    assert where(terminal.truth, "B2") == ("stack-n", 3)


def test_anothers_hold_is_lifted_only_on_a_persons_word() -> None:
    """SUP-14."""
    terminal = Terminal()
    asked: list[Question] = []
    supervisor = terminal.supervise()
    terminal.run_until(lambda: supervisor.was_owned and all(s.idle() for s in supervisor.sessions.values()))
    terminal.run_until(
        lambda: not supervisor.questions and not len(supervisor.holds) and len(supervisor.history) >= 2
    )
    terminal.run_for(3)
    supervisor.open_questions.listen(asked.append)
    Hand(terminal, "north").send("hold")
    terminal.run_until(lambda: bool(asked))
    assert [question.about for question in asked] == [Ask.HELD]
    terminal.run_for(10)
    assert terminal.controllers["north"].held
    asked[0].answer()
    terminal.run_until(lambda: not terminal.controllers["north"].held, 5)


def test_pace_keeps_within_the_times_of_the_protocol() -> None:
    with pytest.raises(ValueError, match="SUP-05"):
        Pace(repeat_ms=100)
    with pytest.raises(ValueError, match="SUP-18"):
        Pace(lead_ms=31_000)
