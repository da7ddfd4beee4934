"""Every row of the transition tables is taken by what is shipped: the reference node and the supervisor.

Some stories of the kit and those of this file are told on virtual time; every row that is taken in them is noted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from random import Random
from typing import Any

import pytest

from protocol.codec import encode
from protocol.counting import CLAIM_SPREAD
from protocol.machine_guards import Facts
from protocol.participant import Delivery
from protocol.site_file import scenario as site_of_the_kit
from protocol.specification import specification
from protocol.state_machine import StateMachine
from protocol.transition_table import Table, Transition
from reference_node.controller.job import Job
from reference_node.scenario.scenario_file import load_scenario
from reference_node.scenario.virtual_stage import play
from reference_node.supervisor.observe.session import RESERVE, Session
from tests.reference_node.yard import NEVER, Yard, encoding_for, homed_crane

Row = tuple[str, Transition]

SITE = site_of_the_kit()
STORIES = (
    "05-unload-and-load",
    "08-train-never-arrives",
    "10-crane-reboots",
    "19-axis-jams",
    "20-emergency-stop",
)
TABLES = specification().tables
LONG_MS = 60_000


# ---------------------------------------------------------------- nodes
def jobs_of_a_node() -> None:
    """Every state of the job meets an order, its repeat, a cancel and a fault."""
    yard = Yard("ferry")
    yard.order("ferry", "cancel", id=901, ref=900)  # none, cancel
    yard.ids["ferry"] = 901
    yard.order("ferry", "run", to="quay-s")  # none, order unfit: it is lost
    yard.order("ferry", "reset-fault", faults=0, place="quay-n")
    yard.order("ferry", "hold")
    yard.order("ferry", "resume", holds=1)

    crane = homed_crane()
    _meet(crane)  # done
    _at_once(crane, "park")
    _meet(crane)
    _at_once(crane, "cancel", ref=_job(crane).id)
    _meet(crane)  # cancelled
    crane.order("north", "park")
    crane.run(100)
    _meet(crane)  # running
    crane.order("north", "cancel", ref=_job(crane).id)
    crane.run(LONG_MS)
    _at_once(crane, "park")
    crane.machines["north"].cut_power()  # accepted, halt
    crane.run(100)
    _meet(crane)  # failed
    crane.machines["north"].restore_power()
    crane.order("north", "reset-fault", faults=crane.nodes["north"].faults)
    crane.job("north", "home")  # failed, order
    _at_once(crane, "park")
    _at_once(crane, "cancel", ref=_job(crane).id)
    crane.job("north", "park")  # cancelled, order
    crane.ids["north"] += 1
    late = {"act": "park", "boot": crane.nodes["north"].boot, "id": crane.ids["north"]}
    crane.at_once("north", late | {"deadline": crane.nodes["north"].uptime + 500}, {"act": "hold"})
    crane.run(1_000)  # accepted, late
    crane.order("north", "resume", holds=crane.nodes["north"].holds)
    crane.order("north", "park")
    crane.run(100)
    crane.machines["north"].cut_power()  # running, halt
    crane.run(100)


def _job(yard: Yard) -> Job:
    job = yard.nodes["north"].job
    assert job is not None
    return job


def _at_once(yard: Yard, act: str, **fields: Any) -> None:
    """An order to the crane that comes in one packet with the one before: no time passes between them."""
    node = yard.nodes["north"]
    yard.ids["north"] += 1
    body = {"act": act, "boot": node.boot, "id": yard.ids["north"]}
    body |= ({"deadline": NEVER} if act in specification().jobs else {}) | fields
    payload = encode("job-order", body, encoding_for(node.node))
    node.receive(Delivery(f"yw1/{SITE.name}/north/job-order", payload, qos=1, retain=False), yard.now_ms)


def _meet(yard: Yard) -> None:
    """The job is repeated, and cancelled where it has ended; another order comes that is not fit."""
    job = _job(yard)
    _at_once(yard, **job.order)
    if not job.is_open:
        _at_once(yard, "cancel", ref=job.id)
    _at_once(yard, "jog", target=[30_000])


def modes_of_a_crane() -> None:
    """Every mode meets a fault, and those that can be left for it the switch for by-hand."""
    yard = Yard("north", boxes={("stack-n", 0): "B"})
    crane = yard.machines["north"].crane
    assert crane is not None

    def fault() -> None:
        yard.machines["north"].cut_power()
        yard.run(100)
        yard.machines["north"].restore_power()
        yard.run(100)

    def reset() -> None:
        yard.order("north", "reset-fault", faults=yard.nodes["north"].faults)

    def by_hand(so: bool) -> None:
        crane.by_hand = so
        yard.run(100)

    fault()  # unhomed
    fault()  # faulted
    by_hand(True)
    fault()  # manual: and it is taken by hand again
    by_hand(False)
    reset()
    by_hand(True)  # unhomed
    by_hand(False)
    yard.order("north", "home")
    yard.run(100)
    by_hand(True)  # is ignored as long as it homes
    yard.order("north", "cancel", ref=yard.ids["north"])
    yard.run(LONG_MS)
    by_hand(False)
    yard.order("north", "home")
    yard.run(100)
    fault()
    reset()
    yard.job("north", "home")
    yard.job("north", "home")  # from ready
    yard.job("north", "park")
    crane.jammed.add(0)
    yard.order("north", "jog", target=[axis.most for axis in SITE.nodes["north"].crane.axes])  # type: ignore[union-attr]
    yard.run(LONG_MS)
    assert yard.state("north", "crane-status")["mode"] == "faulted"
    crane.jammed.clear()
    reset()  # homed still
    fault()  # ready
    reset()
    yard.job("north", "home")
    by_hand(True)  # ready
    by_hand(False)


def states_of_a_berth() -> None:
    """Every arrival state meets the loss of power."""
    yard = Yard("siding")
    berth = yard.nodes["siding"].roles["berth"]

    def reset(**found: str) -> None:
        yard.order("siding", "reset-fault", faults=yard.nodes["siding"].faults, **found)

    def fault() -> None:
        yard.machines["siding"].cut_power()
        yard.run(100)
        yard.machines["siding"].restore_power()
        yard.run(100)

    def take_off() -> None:
        track = yard.machines["siding"].track
        assert track is not None
        track.take_off()
        reset(found="none")

    fault()  # lost
    reset()  # nothing said
    reset(found="none")
    fault()  # empty
    for state in ("admitting", "armed", "at-rest"):
        take_off()
        yard.order("siding", "admit")
        assert yard.until(lambda state=state: berth.state == state), state  # type: ignore[misc]
        fault()
    take_off()
    yard.job("siding", "admit")
    yard.order("siding", "depart")
    yard.run(100)
    fault()  # leaving
    take_off()
    yard.job("siding", "admit")
    yard.job("siding", "depart")


def states_of_a_shuttle() -> None:
    """A run past a stop that is not its target, and the loss of power in every state."""
    yard = Yard("ferry", bench=True)

    def power(on: bool) -> None:
        yard.order("ferry", "stimulus", inputs=[["motor-power", on, 0]])
        yard.run(100)

    def found(**what: str) -> None:
        power(True)
        yard.order("ferry", "reset-fault", faults=yard.nodes["ferry"].faults, **what)

    power(False)  # lost
    found()  # nothing said
    found(place="quay-n")
    power(False)  # at-place
    found(place="quay-n")
    yard.order("ferry", "run", to="quay-s")
    yard.run(100)
    yard.order("ferry", "stimulus", inputs=[["stop-1", True, 50], ["stop-1", False, 50]])
    yard.order("ferry", "stimulus", inputs=[["stop-2", True, 500]])
    yard.run(LONG_MS)
    yard.order("ferry", "run", to="quay-n")
    yard.run(100)
    yard.order("ferry", "cancel", ref=yard.ids["ferry"])  # too late
    power(False)  # moving


# ---------------------------------------------------------------- a supervisor
class Line:
    """A session with one node, and what that node says to it."""

    def __init__(self) -> None:
        self.session = Session(SITE.nodes["siding"], Random(1))
        self.now_ms, self.boot, self.mark = 0, 1, 0
        self.sent: list[Mapping[str, Any]] = []

    def say(self, message: str, *, retain: bool = False, **fields: Any) -> None:
        self.now_ms += 1
        body = {"boot": self.boot, "uptime": self.now_ms, "mark": self.mark, **fields}
        self.session.hear(message, body, retain=retain, now_ms=self.now_ms)

    def report(self, act: str, state: str, **fields: Any) -> None:
        self.say("job-report", act=act, state=state, order_boot=self.boot, **fields)

    def due(self, after_ms: int = 0) -> list[Mapping[str, Any]]:
        self.now_ms += after_ms
        self.sent = list(self.session.due(self.now_ms))
        return self.sent

    def tell_all(self) -> None:
        self.say("node-status", state="on")
        self.say("train-arrival")
        self.say("fault")

    def answer(self) -> None:
        (ask,) = self.due(LONG_MS) if not self.sent or self.sent[-1]["act"] != "ask" else [self.sent[-1]]
        self.tell_all()
        self.report("ask", "done", token=ask["token"])

    def own(self) -> None:
        """Have the claim that is due answered with itself."""
        claim = next(one for one in self.due(1_000) if one["act"] == "claim")
        self.mark = claim["id"]
        self.report("claim", "done", id=claim["id"])
        assert self.session.owned

    def settle_boot(self) -> None:
        """Another boot has spoken: it is believed by an answer, and then asked for all that it has to say."""
        for _ in range(2):
            self.due()
            self.answer()

    def order(self, act: str = "depart", **fields: Any) -> int:
        sent = self.session.order(act, self.now_ms, **fields)
        self.due()
        return sent.id


def owned() -> Line:
    line = Line()
    line.due()
    line.answer()
    line.own()
    return line


def belief_before_it_is_owned() -> None:
    """Hints, asks, answers that are none, claims that are not obeyed, boots in between."""
    line = Line()
    line.say("fault", retain=True)
    line.say("fault", retain=True)
    line.due()
    line.due(LONG_MS)
    line.report("ask", "done", token=1)  # somebody else's
    line.report("ask", "done", token=line.sent[-1]["token"])  # the states are missing
    line.boot = 2
    line.say("fault")  # another boot while asked
    line.settle_boot()
    line.session.unlinked()  # our own connection while answered
    line.due()
    line.answer()
    line.boot = 4
    line.say("fault")  # while answered
    line.settle_boot()
    line.due()
    line.session.unlinked()  # while claiming
    line.due()
    line.answer()
    line.due()
    line.boot = 5
    line.say("fault")  # while claiming
    line.settle_boot()
    claim = line.due()[-1]
    line.due(1_000)  # the claim again
    line.mark = claim["id"]
    line.report("claim", "done", id=claim["id"], claimant=claim["token"] ^ 1)
    assert line.session.belief == "asked"
    line.due()
    line.answer()
    claim = line.due()[-1]
    line.report("claim", "refused", id=claim["id"])
    line.mark = claim["id"] + 5
    line.report("claim", "refused", id=claim["id"])
    assert line.session.belief == "asked"


def belief_of_a_node_that_is_owned() -> None:
    """An 'off', silence, ids used up, a job given up, another boot, another supervisor."""
    line = owned()
    line.say("node-status", state="off")
    line.due(LONG_MS)
    assert line.session.belief == "doubted"
    line.report("ask", "done", token=1)  # somebody else's
    line.report("ask", "done", token=line.sent[-1]["token"])  # the states are missing
    line.say("fault", retain=True)
    line.due(LONG_MS)
    line.answer()
    while line.session.ids_left() > RESERVE:
        line.report("depart", "done", id=line.order())
    line.own()
    job = line.session.order("depart", line.now_ms)
    line.session.give_up(job)
    claim = next(one for one in line.due() if one["act"] == "claim")
    line.mark = claim["id"] + CLAIM_SPREAD
    line.tell_all()
    assert line.session.replaced
    line = owned()
    token, line.boot = line.session._token, 2
    line.report("ask", "done", token=token)  # an answer that a reset has outrun
    line = owned()
    line.due(LONG_MS)
    line.mark += CLAIM_SPREAD
    line.tell_all()
    assert line.session.replaced
    line = owned()
    line.boot = 2
    line.say("fault")
    line.say("fault")  # another boot while in doubt
    line.settle_boot()
    line.own()
    line.mark += CLAIM_SPREAD
    line.tell_all()
    assert line.session.replaced


def orders_of_a_supervisor() -> None:
    """Every state of an order meets its repeat, every report, another boot, giving up, and the loss of the bus."""
    ways = ((), ("accepted",), ("accepted", "running"))
    for way in ways:
        for end in (
            "accepted",
            "running",
            "done",
            "failed",
            "cancelled",
            "refused",
            "stale",
            "boot",
            "given-up",
        ):
            line = owned()
            id_ = line.order()
            for state in way:
                line.report("depart", state, id=id_)
            line.due(1_000)
            if end == "boot":
                line.boot = 2
                line.say("fault")
                line.due()
                line.answer()
            elif end == "given-up":
                job = line.session.job
                assert job is not None
                line.session.give_up(job)
                line.own()
            else:
                state, reason = ("refused", "stale") if end == "stale" else (end, "busy")
                line.report("depart", state, id=id_, reason=reason)
        line = owned()
        id_ = line.order("resume", holds=1)
        for state in way:
            line.report("resume", state, id=id_)
        line.session.unlinked()
    line = owned()
    line.report("depart", "running", id=line.order())


OWN_STORIES = (
    jobs_of_a_node,
    modes_of_a_crane,
    states_of_a_berth,
    states_of_a_shuttle,
    belief_before_it_is_owned,
    belief_of_a_node_that_is_owned,
    orders_of_a_supervisor,
)


# ---------------------------------------------------------------- what is asserted
@pytest.fixture(scope="module")
def taken() -> Iterator[set[Row]]:
    """The rows that are taken in all stories."""
    rows: set[Row] = set()
    fire = StateMachine.fire

    def noted(machine: StateMachine, event: str, facts: Facts | None = None) -> Transition | None:
        row = fire(machine, event, facts)
        if row is not None:
            rows.add((machine.table.name, row))
        return row

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(StateMachine, "fire", noted)
        for story in OWN_STORIES:
            story()
        for name in STORIES:
            play(load_scenario(name, SITE), SITE)
        yield rows


def never_taken(table: Table, taken: set[Row]) -> list[Transition]:
    """The rows of a table that no story takes."""
    return [row for row in table.transitions if (table.name, row) not in taken]


@pytest.mark.parametrize("table", TABLES.values(), ids=lambda table: table.name)
@pytest.mark.slow
def test_every_row_is_taken_by_what_is_shipped(table: Table, taken: set[Row]) -> None:
    assert never_taken(table, taken) == []


@pytest.mark.slow
def test_a_row_that_nobody_takes_is_found(taken: set[Row]) -> None:
    planted = Transition("at-place", "push", "", "lost", ("state",))
    table = replace(TABLES["shuttle"], transitions=(*TABLES["shuttle"].transitions, planted))
    assert never_taken(table, taken) == [planted]
