"""Supervisor and nodes that go away in the middle of everything, and two supervisors at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from protocol.site import Site
from protocol.wire.virtual_broker import LogEntry
from reference_node.supervisor.plan.goals import Move
from reference_node.supervisor.questions.question import Ask, Question
from reference_node.supervisor.supervisor import Supervisor
from tests.supervisor.terminal import Terminal, believes_only_truth, where

GOAL = Move("B2", "stack-n", 3)


def step(terminal: Terminal, node: str, wanted: str) -> Callable[[], bool]:
    """Whether `node` has reported `wanted` as its step."""
    return lambda: any(body.get("step") == wanted for body in terminal.said(node, "job-report"))


def test_supervisor_restarted_in_the_middle_of_a_job() -> None:
    """The job goes on, its box is unsure until it has ended, and nothing is ordered before."""
    terminal = Terminal()
    terminal.supervise(goals=(GOAL,))
    terminal.run_until(step(terminal, "north", "lift"))
    terminal.bus.detach("yard", graceful=False)

    second = terminal.supervise(boot=2, goals=(Move("B2", "ferry", 0),))
    terminal.run_until(lambda: second.was_owned)
    assert not second.sessions["north"].idle()
    assert not second.inventory.is_sure("stack-n"), "the map's slots of the open order are unsure"
    assert [question for question in second.questions if question.place == "stack-n"] == []

    terminal.run_until(lambda: second.finished)
    assert where(terminal.truth, "B2") == ("ferry", 0)
    assert terminal.truth.accidents == []
    assert believes_only_truth(second, terminal)


def test_crane_reset_in_the_middle_of_a_job() -> None:
    """SUP-09: job, box and every slot in reach are unsure; nothing is sent again; a person is asked."""
    terminal = Terminal()
    asked: list[Question] = []
    supervisor = terminal.supervise(
        goals=(GOAL,), on_question=asked.append, contents={"stack-n": ["B1", "B2", "B3", ""]}
    )
    answer_by_hand(terminal, supervisor, lambda: step(terminal, "north", "lift")())
    ordered = len({body["id"] for body in terminal.orders("north", "transfer")})
    terminal.reset("north")
    terminal.run_until(lambda: supervisor.sessions["north"].boot == 2 and supervisor.sessions["north"].owned)

    (unknown,) = [sent for _, node, sent in supervisor.history if sent.state == "unknown"]
    assert (unknown.act, unknown.boot) == ("transfer", 1)
    terminal.run_for(20)
    assert len({body["id"] for body in terminal.orders("north", "transfer")}) == ordered
    assert set(supervisor.inventory.shown("stack-n")) == {"?"}
    about = {question.about for question in supervisor.questions}
    assert about == {Ask.SLOTS, Ask.SPREADER}
    assert not [body for body in terminal.orders("north", "home") if body["boot"] == 2], "a hand may be there"

    answer_by_hand(terminal, supervisor, lambda: supervisor.finished)
    assert where(terminal.truth, "B2") == ("stack-n", 3)
    assert terminal.truth.accidents == []


def answer_by_hand(terminal: Terminal, supervisor: Supervisor, until: Callable[[], bool]) -> None:
    """Answer what is asked, one question after the other, until `until` is so."""
    while not until():
        terminal.run_until(lambda: until() or any(one.is_open for one in supervisor.questions))
        for question in [one for one in supervisor.questions if one.is_open]:
            terminal.person(question)
        terminal.run_for(0.3)


def test_two_supervisors_the_replaced_one_sends_nothing_more() -> None:
    """SUP-07, CLM-01: the second claims above the first, whose open job is stale or ends; the first stops."""
    terminal = Terminal(site=with_second_supervisor(Terminal(nodes=()).site))
    first = terminal.supervise(goals=(GOAL,))
    terminal.run_until(step(terminal, "north", "lower-to-pick"))
    second = terminal.supervise(name="yard2", goals=(Move("B2", "ferry", 0),))
    terminal.run_until(lambda: bool(first.replaced))
    sent_by_first = len([entry for entry in terminal.bus.log if is_order(entry, "yard")])

    terminal.run_until(lambda: second.finished)
    assert len([entry for entry in terminal.bus.log if is_order(entry, "yard")]) == sent_by_first
    assert first.troubles == [f"another supervisor has claimed {first.replaced}; this one has stopped"]
    (order,) = {body["id"] for body in terminal.orders("north", "transfer") if body["to"] == "stack-n"}
    assert [one["state"] for one in terminal.said("north", "job-report") if one.get("id") == order][
        -1
    ] == "done"
    assert where(terminal.truth, "B2") == ("ferry", 0)
    assert terminal.truth.accidents == []
    assert believes_only_truth(second, terminal)


def test_yard_map_is_believed_after_a_restart_where_nothing_has_moved() -> None:
    """SUP-11, SUP-22."""
    terminal = Terminal()
    first = terminal.supervise(goals=(GOAL,))
    terminal.run_until(lambda: first.finished)
    terminal.run_for(5)
    terminal.bus.detach("yard", graceful=True)

    asked: list[Question] = []
    second = terminal.supervise(boot=2, on_question=asked.append)
    terminal.run_until(lambda: second.was_owned)
    assert second.inventory.shown("stack-n") == ("B1", "", "B3", "B2")
    assert second.inventory.shown("ferry") == ("",)
    assert [question.about for question in asked] == []


def test_yard_map_is_not_believed_where_a_node_has_booted() -> None:
    """SUP-11: what rests on crane north is unsure, the rest is not."""
    terminal = Terminal()
    first = terminal.supervise(goals=(GOAL,))
    terminal.run_until(lambda: first.finished)
    terminal.run_for(5)
    terminal.bus.detach("yard", graceful=True)
    terminal.reset("north")
    terminal.run_for(5)

    asked: list[Question] = []
    second = terminal.supervise(boot=2, on_question=asked.append)
    terminal.run_until(lambda: second.was_owned)
    assert set(second.inventory.shown("stack-n")) == {"?"}
    assert set(second.inventory.shown("ferry")) == {"?"}
    assert second.inventory.shown("stack-s") == ("", "")
    terminal.run_until(lambda: (Ask.SLOTS, "stack-n") in {(one.about, one.place) for one in asked}, 5)


def is_order(entry: LogEntry, sender: str) -> bool:
    return entry.sender == sender and entry.topic.endswith("/job-order")


def with_second_supervisor(site: Site) -> Site:
    """The site with another supervisor, `yard2`, beside `yard`."""
    return replace(site, nodes={**site.nodes, "yard2": replace(site.nodes["yard"], name="yard2")})
