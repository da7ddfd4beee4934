"""The rules that a supervisor keeps. Each story is told twice: with the rule it ends well, and with the rule
taken away, by a subclass, the very same script ends badly. Nodes are the reference nodes; what is asserted is
what really happened in the yard, or that the supervisor believes nothing that is not so.
"""

from __future__ import annotations

from collections.abc import Mapping
from random import Random
from typing import Any

import pytest

from protocol.machine_guards import MACHINE_GUARDS
from protocol.participant import Publication
from protocol.site import NodeSite
from protocol.state_machine import StateMachine
from protocol.wire.virtual_broker import Intercept
from reference_node.supervisor.check.rules import Rules
from reference_node.supervisor.observe.known_node import Event
from reference_node.supervisor.observe.pace import Pace
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.observe.session import Session
from reference_node.supervisor.observe.yard_state import YardState
from reference_node.supervisor.plan.goals import Move, Run, Together
from reference_node.supervisor.supervisor import Supervisor
from tests.supervisor.terminal import Hand, Terminal, believes_only_truth, read, where

TO_DECK = Move("B2", "ferry", 0)
TO_QUAY_S = Run("ferry", "quay-s")
IN_STACK = Move("B2", "stack-n", 3)


def late(node: str, delays_ms: Mapping[str, int]) -> Intercept:
    """A channel that holds up the orders to `node` of these acts, every repeat by the same time."""

    def deliver(sender: str, receiver: str, publication: Publication) -> list[tuple[int, Publication]] | None:
        if receiver != node or not publication.topic.endswith("/job-order"):
            return None
        act = str((read(publication.topic, publication.payload) or {}).get("act"))
        return [(delays_ms[act], publication)] if act in delays_ms else None

    return deliver


def has_done(terminal: Terminal, id_: int) -> bool:
    """Whether crane north has really done this order."""
    job = terminal.controllers["north"].job
    return job is not None and job.id == id_ and job.state == "done"


def nothing_fell(terminal: Terminal) -> bool:
    """Whether every box that was let go stood where it was let go."""
    return terminal.truth.accidents == []


# ---------------------------------------------------------------- rules 2 and 3: whose report it is
class BelievesAnyReport(Session):
    """Takes a report for its open job's by the id alone."""

    def is_for(self, sent: SentOrder, report: Mapping[str, Any]) -> bool:
        return True


class BelievesAnyReportSupervisor(Supervisor):
    def new_session(self, node: NodeSite, rng: Random) -> Session:
        return BelievesAnyReport(node, rng, self.pace)


@pytest.mark.parametrize(("kind", "safe"), [(Supervisor, True), (BelievesAnyReportSupervisor, False)])
def test_rule_2_a_report_counts_only_for_boot_and_act_of_its_order(
    kind: type[Supervisor], safe: bool
) -> None:
    """Somebody's late order of another boot has the id of the open job, as may happen by chance, for marks
    start again with every boot. Its refusal says nothing of the open job; taken for its outcome, a job that
    is under way is believed over.
    """
    terminal = Terminal()
    supervisor = terminal.supervise(kind, goals=(IN_STACK,))
    terminal.run_until(lambda: terminal.spreader_holds("north") == "B2")
    job = supervisor.sessions["north"].job
    assert job is not None
    supervisor.goals.clear()
    Hand(terminal, "north").send("park", boot=77, id=job.id, deadline=0)
    terminal.run_for(0.2)
    still_open = supervisor.sessions["north"].job is job
    assert (still_open and believes_only_truth(supervisor, terminal)) is safe


class SendsNobody(Rules):
    """Never sends a person anywhere: the end of a hold for one raises the mark too, which shields rules 4 and 5."""

    def clear_for_a_person(self, node: str, place: str) -> bool:
        return False


class Unasking(Supervisor):
    def new_rules(self, state: YardState) -> Rules:
        return SendsNobody(state)


# ---------------------------------------------------------------- rule 4: claim
class OwnsByAsking(Session):
    """Thinks a node its own once it has answered."""

    def due(self, now_ms: int) -> list[Mapping[str, Any]]:
        if self.belief == "answered":
            self.machine = StateMachine(self.machine.table, self.guards, "owned")
            self.claim = self._highest = max(self.mark, 1)
            self._events.append(Event("owned"))
        return super().due(now_ms)


class AsksOnly(Unasking):
    def new_session(self, node: NodeSite, rng: Random) -> Session:
        return OwnsByAsking(node, rng, self.pace)


@pytest.mark.parametrize(("kind", "safe"), [(Supervisor, True), (AsksOnly, False)])
def test_rule_4_a_claim_makes_the_orders_of_the_supervisor_before_stale(
    kind: type[Supervisor], safe: bool
) -> None:
    """The first supervisor's transfer to the deck is still on its way when it dies. The second asks: crane
    north has no job. It sends the shuttle off. Without a claim the old order is obeyed now, and the box is
    let go over the quay where the shuttle was.
    """
    terminal = Terminal()
    terminal.bus.intercept = late("north", {"transfer": 4_000})
    terminal.supervise(goals=(TO_DECK,))
    terminal.run_until(lambda: bool(terminal.orders("north", "transfer")))
    terminal.bus.detach("yard", graceful=False)
    terminal.supervise(kind, boot=2, goals=(TO_QUAY_S,))
    terminal.run_until(lambda: bool(terminal.orders("ferry", "run")))
    terminal.run_for(30)
    assert nothing_fell(terminal) is safe


class NeverReplaced(Session):
    """Goes on whatever mark it sees, and thinks itself the owner whatever mark is answered."""

    guards = MACHINE_GUARDS | {"mark_is_claim": lambda facts: True}

    def _hear_mark(self, mark: int) -> None:
        self.mark = max(self.mark, mark)


class GoesOn(Supervisor):
    def new_session(self, node: NodeSite, rng: Random) -> Session:
        return NeverReplaced(node, rng, self.pace)


@pytest.mark.parametrize(("kind", "safe"), [(Supervisor, True), (GoesOn, False)])
def test_rule_4_who_sees_a_higher_mark_sends_nothing_more(kind: type[Supervisor], safe: bool) -> None:
    """Another supervisor claims crane north while the first has nothing open there. The first is to stop; one
    that goes on sends off the shuttle, which it still thinks its own, under the other's crane.
    """
    terminal = Terminal()
    first = terminal.supervise(kind)
    terminal.run_until(lambda: all(session.idle() for session in first.sessions.values()))
    terminal.run_until(lambda: first.inventory.is_sure("stack-n"))
    terminal.run_until(lambda: terminal.controllers["north"].job is not None, 30)
    terminal.run_until(lambda: all(session.idle() for session in first.sessions.values()), 30)
    terminal.run_for(5)

    other, claim = Hand(terminal, "north"), 9 << 20
    other.send("claim", id=claim, boot=1)
    terminal.run_for(3)
    first.add(TO_QUAY_S)
    other.job(
        "transfer", claim + 1, after_ms=20,
        **{"from": "stack-n", "from_slot": 1, "to": "ferry", "to_slot": 0, "box": "B2",
           "stop": terminal.said("ferry", "shuttle-status")[-1]["stop"], "shuttle_boot": 1},
    )  # fmt: skip
    terminal.run_for(40)
    assert nothing_fell(terminal) is safe


# ---------------------------------------------------------------- rule 5: giving up
class GivesUpAtOnce(Session):
    """Gives a job up without claiming again: the newest answer says that none is open."""

    def give_up(self, job: SentOrder) -> None:
        job.fire("given-up", {"order": job.body, "claim": job.id + 1})
        self._end(job)


class Impatient(Supervisor):
    def new_session(self, node: NodeSite, rng: Random) -> Session:
        return GivesUpAtOnce(node, rng, self.pace)


@pytest.mark.parametrize(("kind", "safe"), [(Supervisor, True), (Impatient, False)])
def test_rule_5_a_job_is_given_up_only_after_a_newer_claim(kind: type[Supervisor], safe: bool) -> None:
    """No report comes for the transfer to the deck: the order is held up on its way. The supervisor gives it
    up and sends the shuttle off. What makes that safe is the claim that it has sent before: it makes the
    order stale. An ask does not raise the mark, and the order is obeyed while the shuttle is gone.
    """
    terminal = Terminal()
    terminal.bus.intercept = late("north", {"transfer": 8_000})
    supervisor = terminal.supervise(kind, goals=(TO_DECK,), pace=Pace(give_up_ms=4_000))
    terminal.run_until(lambda: bool(terminal.orders("north", "transfer")))
    if not safe:
        supervisor.new_rules = SendsNobody  # type: ignore[method-assign]
        supervisor.open_questions._rules = SendsNobody
    supervisor.goals[:] = [TO_QUAY_S]
    terminal.run_until(lambda: bool(terminal.orders("ferry", "run")))
    assert "unknown" in [sent.state for _, _, sent in supervisor.history]
    terminal.run_for(30)
    assert nothing_fell(terminal) is safe


# ---------------------------------------------------------------- rule 6: a new boot
class TakesItForUndone(Supervisor):
    """Thinks that a job whose end it has not heard did not move anything."""

    def doubt_after(self, node: str) -> None:
        pass

    def outcome(self, sent: SentOrder) -> str:
        return "refused" if sent.state == "unknown" else sent.state


@pytest.mark.parametrize(("kind", "safe"), [(Supervisor, True), (TakesItForUndone, False)])
def test_rule_6_after_a_new_boot_nobody_knows_how_far_the_job_came(
    kind: type[Supervisor], safe: bool
) -> None:
    """The crane resets just after it has set the box down, before it says 'done'. To think that nothing moved
    is to believe the box where it no longer is.
    """
    terminal = Terminal()
    supervisor = terminal.supervise(kind, goals=(IN_STACK,))
    terminal.run_until(lambda: where(terminal.truth, "B2") == ("stack-n", 3))
    supervisor.goals.clear()
    supervisor.open_questions.listen(None)
    terminal.reset("north")
    terminal.run_until(lambda: supervisor.sessions["north"].boot == 2 and supervisor.sessions["north"].owned)
    assert believes_only_truth(supervisor, terminal) is safe


class TakesStaleForRefused(Session):
    """Thinks that every refusal means that nothing moved."""

    guards = MACHINE_GUARDS | {"outcome_open": lambda facts: False, "nothing_moved": lambda facts: True}


class TakesStaleForRefusedSupervisor(Supervisor):
    def new_session(self, node: NodeSite, rng: Random) -> Session:
        return TakesStaleForRefused(node, rng, self.pace)


@pytest.mark.parametrize(("kind", "safe"), [(Supervisor, True), (TakesStaleForRefusedSupervisor, False)])
def test_rule_6_stale_does_not_mean_that_nothing_moved(kind: type[Supervisor], safe: bool) -> None:
    """Nothing that the crane says of the transfer arrives, and after it somebody else parks it: its job table of
    one has forgotten the transfer. The first word to come through is 'stale': the box may stand anywhere.
    """
    terminal = Terminal()
    supervisor = terminal.supervise(kind, goals=(IN_STACK,))
    terminal.run_until(lambda: bool(terminal.orders("north", "transfer")))
    job = supervisor.sessions["north"].job
    assert job is not None

    def deaf(sender: str, receiver: str, publication: Publication) -> list[tuple[int, Publication]] | None:
        body = read(publication.topic, publication.payload) or {}
        telling = body.get("order_boot") is not None or body.get("mark", 0) > job.id
        lost = (sender, receiver) == ("north", "yard") and telling and body.get("reason") != "stale"
        return [] if lost else None

    terminal.bus.intercept = deaf
    terminal.run_until(lambda: has_done(terminal, job.id))
    Hand(terminal, "north").job("park", job.id + 1)
    terminal.run_until(lambda: has_done(terminal, job.id + 1))
    supervisor.goals.clear()
    supervisor.open_questions.listen(None)
    terminal.run_until(lambda: supervisor.sessions["north"].job is None)
    assert believes_only_truth(supervisor, terminal) is safe


# ---------------------------------------------------------------- rule 7: hints
class BelievesItsMap(Supervisor):
    """Believes the yard-map of the life before whatever happened since."""

    def believes_map(self, place: str, kept: Mapping[str, Any]) -> bool:
        return True


class BelievesTheFirstMark(Supervisor):
    """Compares the map with the answer to its ask alone, and not with what the node says after the claim."""

    def believes_map(self, place: str, kept: Mapping[str, Any]) -> bool:
        marks = {node: (boot, mark) for node, boot, mark in kept["rests_on"]}
        return all(
            self.sessions[node].first_answer == marks.get(node) for node in self.inventory.rests_on(place)
        )


def restart_after(terminal: Terminal) -> None:
    """A supervisor has put all in order, has written its map, and goes."""
    first = terminal.supervise(goals=(IN_STACK,))
    terminal.run_until(lambda: first.finished)
    terminal.run_for(5)
    terminal.bus.detach("yard", graceful=True)


def move_by_hand(terminal: Terminal) -> int:
    """Somebody else orders box B2 back, above the mark; the id of that order."""
    id_ = terminal.controllers["north"].mark + 1
    back: dict[str, Any] = {"from": "stack-n", "from_slot": 3, "to": "stack-n", "to_slot": 1, "box": "B2"}
    Hand(terminal, "north").job("transfer", id_, **back)
    return id_


@pytest.mark.parametrize(("kind", "safe"), [(Supervisor, True), (BelievesItsMap, False)])
def test_rule_7_a_yard_map_is_believed_only_where_nothing_has_moved(
    kind: type[Supervisor], safe: bool
) -> None:
    """While the supervisor was away somebody moved a box. Its own map, retained, still says the old place."""
    terminal = Terminal()
    restart_after(terminal)
    Hand(terminal, "north").wait_for(move_by_hand(terminal), "done")
    second = terminal.supervise(kind, boot=2, on_question=None)
    terminal.run_until(lambda: second.was_owned)
    assert believes_only_truth(second, terminal) is safe


@pytest.mark.parametrize(("kind", "safe"), [(Supervisor, True), (BelievesTheFirstMark, False)])
def test_rule_7_an_order_may_slip_in_between_answer_and_claim(kind: type[Supervisor], safe: bool) -> None:
    """The mark in the answer to the ask is still that of the map; then somebody's order comes, and then the
    claim. The mark answered is the claim's own and tells nothing of that order: the job named after it does.
    """
    terminal = Terminal()
    restart_after(terminal)
    terminal.bus.intercept = late("north", {"claim": 12_000})
    second = terminal.supervise(kind, boot=2, on_question=None)
    terminal.run_until(lambda: bool(terminal.orders("north", "claim")[1:]))
    Hand(terminal, "north").wait_for(move_by_hand(terminal), "done")
    terminal.run_until(lambda: second.was_owned)
    assert believes_only_truth(second, terminal) is safe


class TakesOffForAnEnd(Session):
    """Takes 'off' for the end of the node's job."""

    def hear(self, message: str, body: Mapping[str, Any], *, retain: bool, now_ms: int) -> None:
        super().hear(message, body, retain=retain, now_ms=now_ms)
        if body.get("state") == "off":
            for sent in list(self.open.values()):
                sent.fire("failed")
                self._end(sent)


class TakesOffForAnEndSupervisor(Supervisor):
    def new_session(self, node: NodeSite, rng: Random) -> Session:
        return TakesOffForAnEnd(node, rng, self.pace)


@pytest.mark.parametrize(("kind", "safe"), [(Supervisor, True), (TakesOffForAnEndSupervisor, False)])
def test_rule_7_off_ends_no_job(kind: type[Supervisor], safe: bool) -> None:
    """The link of crane north breaks for a moment while it carries a box, and the will of the old connection
    says 'off'. The crane goes on and sets the box down; a supervisor that took 'off' for the end of the job
    has it failed, with the box still in the spreader.
    """
    terminal = Terminal()
    supervisor = terminal.supervise(kind, goals=(TO_DECK,))
    terminal.run_until(lambda: terminal.spreader_holds("north") == "B2")
    supervisor.goals.clear()
    terminal.bus.sever("north")
    terminal.run_until(lambda: where(terminal.truth, "B2") == ("ferry", 0))
    terminal.run_for(10)
    assert ([sent.state for _, _, sent in supervisor.history if sent.act == "transfer"] == ["done"]) is safe


# ---------------------------------------------------------------- rule 11: trains and shuttles under cranes
class LooksAtNoCrane(Rules):
    """Sends trains and shuttles off whatever hangs above them."""

    def machines_beside(self, node: str, act: str) -> str:
        return ""


class SendsThemOff(Supervisor):
    def new_rules(self, state: YardState) -> Rules:
        return LooksAtNoCrane(state)


@pytest.mark.parametrize(("kind", "safe"), [(Supervisor, True), (SendsThemOff, False)])
def test_rule_11_no_shuttle_runs_while_a_crane_that_reaches_it_has_a_job(
    kind: type[Supervisor], safe: bool
) -> None:
    """Box to the deck and shuttle to the other quay, side by side. Without a look at the crane the shuttle has
    left when the box comes down.
    """
    terminal = Terminal()
    terminal.supervise(kind, goals=(Together((TO_DECK, TO_QUAY_S)),))
    terminal.run_for(60)
    assert nothing_fell(terminal) is safe
