"""What a person said is believed only while it must still be so, and nobody is sent to what is not held."""

from __future__ import annotations

import pytest

from protocol.wire.virtual_broker import LogEntry
from reference_node.supervisor.person.by_hand import ByHand
from reference_node.supervisor.plan.goals import Move
from reference_node.supervisor.questions.question import CAUTION, Ask, Question
from reference_node.supervisor.supervisor import Supervisor
from tests.supervisor.terminal import Hand, Terminal, believes_only_truth, read, where
from tests.supervisor.test_restarts import step

GOAL = Move("B2", "stack-n", 3)
SEEN = {"stack-n": ("B1", "B2", "B3", ""), "stack-s": ("", ""), "ferry": ("",)}


def asking(
    about: Ask = Ask.SLOTS, place: str = "stack-n"
) -> tuple[Terminal, Supervisor, Question, list[Question]]:
    """A cold start with one question open, which nobody answers."""
    terminal, asked = Terminal(), list[Question]()
    supervisor = terminal.supervise(on_question=asked.append)
    found: list[Question] = []

    def is_asked() -> bool:
        found[:] = [one for one in supervisor.questions if (one.about, one.place) == (about, place)]
        return bool(found)

    terminal.run_until(is_asked)
    return terminal, supervisor, found[0], asked


def settled() -> tuple[Terminal, Supervisor]:
    """A yard whose questions are answered, at work on nothing and held by nobody."""
    terminal = Terminal()
    supervisor = terminal.supervise(on_question=terminal.person)
    terminal.run_until(
        lambda: supervisor.was_owned and not supervisor.questions and not len(supervisor.holds)
    )
    terminal.run_for(20)
    return terminal, supervisor


# ---------------------------------------------------------------- SUP-24: a word is of its time
def test_a_word_at_the_start_is_not_believed_while_a_job_of_before_runs() -> None:
    """The supervisor before has sent a crane to fetch the box that is told of: it has gone when the job has ended."""
    terminal = Terminal()
    terminal.supervise(goals=(GOAL,))
    terminal.run_until(step(terminal, "north", "lower-to-pick"))
    terminal.bus.detach("yard", graceful=False)
    second = terminal.supervise(boot=2, contents=SEEN, on_question=None)
    terminal.run_until(lambda: second.was_owned)
    assert set(second.inventory.shown("stack-n")) == {"?"}
    terminal.run_until(lambda: where(terminal.truth, "B2") == ("stack-n", 3))
    assert believes_only_truth(second, terminal)
    terminal.run_until(lambda: any(one.place == "stack-n" for one in second.questions))
    terminal.person(next(one for one in second.questions if one.place == "stack-n"))
    assert second.inventory.shown("stack-n") == ("B1", "", "B3", "B2")


def test_a_word_at_the_start_is_not_believed_where_a_job_ended_before_anybody_looked() -> None:
    """The same, but the job has ended when the node is first heard: nobody can tell how long ago."""
    terminal = Terminal()
    terminal.supervise(goals=(GOAL,))
    terminal.run_until(step(terminal, "north", "lower-to-pick"))
    terminal.bus.detach("yard", graceful=False)
    terminal.run_for(1)
    told_ms = terminal.time.now_ms
    terminal.run_until(lambda: where(terminal.truth, "B2") == ("stack-n", 3))
    terminal.run_for(5)
    second = Supervisor(
        terminal.site, "yard", boot=2, rng=terminal.rng, started_ms=told_ms, contents=SEEN, on_question=None
    )
    terminal.bus.attach(second)
    terminal.run_until(lambda: second.was_owned)
    assert set(second.inventory.shown("stack-n")) == {"?"}


def test_a_word_at_the_start_is_believed_of_nodes_that_have_had_no_order() -> None:
    terminal = Terminal()
    supervisor = terminal.supervise(contents=SEEN, on_question=None)
    terminal.run_until(lambda: supervisor.was_owned)
    assert supervisor.inventory.shown("stack-n") == SEEN["stack-n"]


def test_an_answer_is_not_taken_once_a_crane_there_has_started_anew() -> None:
    """The box may have moved between the look and the answer: another may have ordered the crane in its new boot."""
    terminal, supervisor, question, asked = asking()
    seen = terminal.really("stack-n")
    terminal.reset("north")
    Hand(terminal, "north").job("home", 1, boot=2)
    terminal.run_until(lambda: question not in supervisor.questions)
    with pytest.raises(ValueError, match="was withdrawn: north has restarted"):
        question.answer(*seen)
    assert set(supervisor.inventory.shown("stack-n")) == {"?"}
    terminal.run_until(lambda: len([one for one in asked if one.place == "stack-n"]) == 2)


# ---------------------------------------------------------------- SUP-25: held first
def test_nobody_is_sent_to_what_does_not_say_that_it_is_held() -> None:
    """On the bus: when it is asked every node that reaches there has said so, and none moves before the answer."""
    terminal, supervisor, question, _ = asking(Ask.SHUTTLE, "ferry")
    assert question.text.startswith(f"{CAUTION} ")
    for name in ("ferry", "north", "south"):
        assert terminal.controllers[name].held, name
    assert terminal.said("north", "crane-status")[-1]["held"] is True
    terminal.run_for(20)
    assert question in supervisor.questions
    assert terminal.orders("ferry", "reset-fault") == []
    terminal.person(question)
    terminal.run_until(lambda: bool(terminal.orders("ferry", "reset-fault")))
    for one in list(supervisor.questions):
        terminal.person(one)
    supervisor.open_questions.listen(terminal.person)
    terminal.run_until(lambda: not supervisor.questions and not len(supervisor.holds))
    terminal.run_until(lambda: not any(one.held for one in terminal.controllers.values()), 10)


def test_a_reset_fault_goes_out_before_the_resume_of_what_reaches_there() -> None:
    """Sent the other way round a crane may go on above a machine before it is reset."""
    terminal, supervisor, question, _ = asking(Ask.TRACK, "siding")
    for _ in range(30):
        terminal.run_for(1)
        for one in [one for one in supervisor.questions if one is not question]:
            terminal.person(one)
    assert supervisor.questions == [question]
    assert terminal.orders("south", "resume") == []
    terminal.person(question)
    terminal.run_until(lambda: not terminal.controllers["south"].held, 10)
    first = {
        node: next(at for at, entry in enumerate(terminal.bus.log) if _is_order(entry, node, act))
        for node, act in (("siding", "reset-fault"), ("south", "resume"))
    }
    assert first["siding"] < first["south"]


def _is_order(entry: LogEntry, node: str, act: str) -> bool:
    body = read(entry.topic, entry.payload) if entry.topic.endswith(f"/{node}/job-order") else None
    return body is not None and body["act"] == act


def test_a_crane_is_not_resumed_while_a_person_is_there() -> None:
    """Not by the desk that sent the person, whoever wants it."""
    terminal, supervisor, question, _ = asking()
    hand = ByHand(lambda: supervisor)
    assert "a person may be at" in (hand.resume("north") or "")
    assert hand.hold("north") is None
    terminal.run_for(3)
    assert "a person may be at" in (hand.resume("north") or "")
    assert not any(one.may_resume for one in hand.held() if one.node == "north")
    assert terminal.orders("north", "resume") == []
    terminal.person(question)
    for one in list(supervisor.questions):
        terminal.person(one)
    terminal.run_for(5)
    assert terminal.controllers["north"].held, "a person's own hold stays until it is lifted"


def test_a_question_is_withdrawn_where_somebody_else_resumes() -> None:
    terminal, supervisor, question, _ = asking()
    crane = terminal.controllers["north"]
    Hand(terminal, "north").send("resume", boot=1, id=crane.mark + 1, holds=crane.holds)
    terminal.run_until(lambda: question not in supervisor.questions)
    with pytest.raises(ValueError, match="was withdrawn"):
        question.answer(*terminal.really("stack-n"))


def test_what_was_held_for_a_person_stays_held_where_the_question_settles_without_an_answer() -> None:
    """Whoever fixes a crane moves it by hand: after that it has no fault any more, and his hand is in it still."""
    terminal, supervisor = settled()
    supervisor.open_questions.listen(None)
    crane, machine = terminal.controllers["north"], terminal.machines["north"].crane
    assert machine is not None
    crane.halt(crane.roles["crane"], "axis-stuck", "hoist")
    terminal.run_until(lambda: any(one.about is Ask.FAULT for one in supervisor.questions))
    begun = len(terminal.orders("north", "home", "resume"))
    machine.by_hand = True
    terminal.run_for(3)
    machine.by_hand = False
    terminal.run_until(lambda: not supervisor.questions)
    terminal.run_for(20)
    assert crane.held
    assert terminal.orders("north", "home", "resume")[begun:] == []
    assert ByHand(lambda: supervisor).resume("north") is None, "a person lets it go on"
    terminal.run_until(lambda: not crane.held, 10)


def test_a_word_of_before_is_no_answer_to_a_hold() -> None:
    """The node says that it is held, by a hold that a resume on its way ends: the new one has not reached it yet."""
    terminal, supervisor = settled()
    holds, now = supervisor.holds, terminal.time.now_ms
    holds.ask("north", "somebody at the desk", now)
    terminal.run_until(lambda: "north" in holds.obeyed)
    assert holds.release("north", terminal.time.now_ms) == ""
    assert holds.ask_for_a_person("north", "stack-n", terminal.time.now_ms)
    supervisor.tick(terminal.time.now_ms)
    holds.look(terminal.time.now_ms)
    assert supervisor.look().nodes["north"].held, "so it said last"
    assert "north" not in holds.obeyed
    assert "north" in supervisor.new_rules(supervisor.look()).not_held("north", "")


def test_what_is_held_for_a_person_is_let_go_by_a_word_once_all_questions_are_withdrawn() -> None:
    """The way to let it go named a question that nobody could answer any more."""
    terminal, supervisor, question, _ = asking()
    assert "answer that question first" in supervisor.release("north")
    supervisor.wind_up()
    assert question not in supervisor.questions
    assert supervisor.release("north") == ""
    terminal.run_until(lambda: not terminal.controllers["north"].held)
