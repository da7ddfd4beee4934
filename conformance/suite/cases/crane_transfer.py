"""A box in the spreader: picked, carried, set down, missed, and left in the air."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from conformance.oracle.link_log import Message
from conformance.suite.case import case
from conformance.suite.crane_site import (
    BOX,
    CRANE,
    arrived,
    crane_of,
    crane_status,
    has_load_sensor,
    has_two_slots,
    stacks,
    within_a_stack,
)
from conformance.suite.exchange import SentOrder
from conformance.suite.fixture import Fixture
from conformance.suite.jobs import Cue, complete, cues_for, done
from conformance.suite.preamble import crane_ready, power_failure, reset_faults
from conformance.suite.verdict import NoOccasion


@case("CRN-08", after=("crane-homes",), roles=CRANE, moves=True, applies=has_two_slots)
def crane_empty_spreader(fixture: Fixture) -> None:
    """A transfer from the spreader is refused 'load' while the spreader holds nothing.

    Orders a transfer without 'from'. Nothing moves.
    """
    before = crane_ready(fixture)
    stack = stacks(fixture.site, fixture.node)[0]
    sent = fixture.order("transfer", to=stack.place, to_slot=0, box=BOX)
    fixture.refused(sent, "load", "CRN-08")
    fixture.unmoved(before, "CRN-08")


@case("CRN-10", "CRN-11", "ORD-16", after=("crane-homes",), roles=CRANE, moves=True, applies=has_two_slots)
def crane_transfer(fixture: Fixture) -> None:
    """A transfer picks the box, carries it and sets it down, and its reports say so on the way.

    Orders a transfer between two slots of a stack, and the same order once more, as a repeat of it, when the crane says
    that it holds the box. Once it does, and until it lets go, every report names the box and says that it is held; at
    the end the spreader holds nothing and the crane is 'ready' where it was sent. A crane need not report its steps.
    In service a box has to stand in slot 0 of the first stack.
    """
    crane_ready(fixture)
    sent = fixture.order("transfer", **within_a_stack(fixture))
    final = complete(fixture, sent, cues=(*cues_for(fixture, sent), Cue(_holds(sent.id), order=sent.body)))
    said = f"{final.body['state']} {final.body.get('reason', '')}".strip()
    fixture.check(final.body["state"] == "done", "ORD-16", "transfer 'done'", said, final)
    reports = [m for m in fixture.log.sent("job-report", sent.before) if m.body.get("id") == sent.id]
    held = [m for m in reports if _between(fixture, m, sent)]
    fixture.occasion(bool(held), "no report came while the box was held: the crane let go before")
    for report in held:
        told = (report.body.get("box"), report.body.get("load"))
        fixture.equal(told, (BOX, "box"), "CRN-10", f"box {BOX!r} and load 'box'", report)
    after = fixture.ask()
    status = crane_status(after)
    fixture.equal(status["load"], "none", "CRN-10", "load 'none'", after.report)
    fixture.equal(status["mode"], "ready", "CRN-11", "mode 'ready'", after.report)
    arrived(fixture, after)


@case(
    "CRN-08",
    "ORD-17",
    after=("crane-transfer",),
    roles=CRANE,
    moves=True,
    mode="bench",
    applies=has_load_sensor,
)
def crane_cancel_too_late(fixture: Fixture) -> None:
    """A cancel after the grip is answered 'running' and 'too-late', and the transfer is done.

    Orders a transfer, cancels it as soon as a report says that the box is lifted, and brings it to its end.
    """
    crane_ready(fixture)
    sent = fixture.order("transfer", **within_a_stack(fixture))
    _until_lifted(fixture, sent)
    cancel = fixture.order("cancel", ref=sent.id)
    report = fixture.report(cancel)
    told = (report.body["state"], report.body.get("reason"))
    fixture.equal(told, ("running", "too-late"), "ORD-17", "'running' and 'too-late'", report)
    final = complete(fixture, sent, cues=cues_for(fixture, sent)[1:])
    fixture.equal(final.body["state"], "done", "ORD-17", "the transfer 'done'", final)


@case(
    "CRN-08",
    "FLT-05",
    after=("crane-transfer",),
    roles=CRANE,
    moves=True,
    mode="bench",
    applies=has_load_sensor,
)
def crane_box_in_the_air(fixture: Fixture) -> None:
    """A box that hangs in the spreader after a fault is set down by a transfer that names no 'from'.

    Takes the motor power away while a box is carried, gives it back, resets the fault with 'box' found and
    homes. A transfer with 'from' is then refused 'load'; one without 'from' sets the box down.
    """
    crane_ready(fixture)
    fields = within_a_stack(fixture)
    sent = fixture.order("transfer", **fields)
    _until_lifted(fixture, sent)
    if not power_failure(fixture):
        complete(fixture, sent, cues=cues_for(fixture, sent)[1:])
        raise NoOccasion("it does not notice the loss of motor power that would leave a box in the air")
    failed = complete(fixture, sent, cues=())
    fixture.equal(failed.body["state"], "failed", "FLT-02", "'failed'", failed)
    fixture.watch(fixture.stretched(300))
    reset_faults(fixture, found="box")
    done(fixture, "home")
    load = crane_status(fixture.ask())["load"]
    fixture.equal(load, "box", "CRN-08", "load 'box'")
    fixture.refused(fixture.order("transfer", **fields), "load", "CRN-08")
    down = fixture.order("transfer", to=fields["to"], to_slot=1, box=BOX)
    final = complete(fixture, down, cues=cues_for(fixture, down)[1:])
    fixture.check(final.body["state"] == "done", "CRN-08", "the transfer 'done'", dict(final.body), final)
    load = crane_status(fixture.ask())["load"]
    fixture.equal(load, "none", "CRN-10", "load 'none'")


@case("FLT-02", after=("crane-transfer",), roles=CRANE, moves=True, mode="bench", applies=has_load_sensor)
def crane_pick_missed(fixture: Fixture) -> None:
    """A spreader that closes on nothing fails the transfer with 'pick-missed'.

    Orders a transfer and leaves the load sensor open at the grip.
    """
    crane_ready(fixture)
    sent = fixture.order("transfer", **within_a_stack(fixture))
    final = complete(fixture, sent, cues=())
    fixture.equal(final.body["state"], "failed", "FLT-02", "'failed'", final)
    answer = fixture.ask()
    active = answer.body("fault").get("active", [])
    fixture.check("pick-missed" in active, "FLT-02", "'pick-missed' active", active, answer.report)
    mode = crane_status(answer)["mode"]
    fixture.equal(mode, "faulted", "FLT-02", "mode 'faulted'", answer.report)


def _holds(job: int) -> Callable[[Message], bool]:
    """Whether a message says that the crane, at a job, holds a box."""
    return lambda m: (
        m.from_node
        and m.name == "crane-status"
        and (m.body.get("job"), m.body.get("spreader"), m.body.get("load")) == (job, "closed", "box")
    )


def _between(fixture: Fixture, report: Message, sent: SentOrder) -> bool:
    """Whether a report is one from between grip and release: by its step or, without one, by the states around it."""
    step = report.body.get("step")
    if step is not None:
        return step in ("lift", "travel-to-drop", "lower-to-drop")
    states = list(fixture.log.sent("crane-status", sent.before))
    before = [one for one in states if one.number < report.number][-1:]
    after = [one for one in states if one.number > report.number][:1]
    return len(before + after) == 2 and all(_holds(sent.id)(one) for one in before + after)


def _until_lifted(fixture: Fixture, sent: Any) -> None:
    """Play the grip and wait until a report says that the box is lifted. Raises Unclear where none does."""
    gripped = cues_for(fixture, sent)[0]
    first = fixture.wait_for(gripped.wanted, fixture.stretched(crane_of(fixture).job_timeout_ms), sent.before)
    fixture.need(first is not None, "the transfer did not come to its grip")
    fixture.stimulate(*gripped.inputs)
    lifted = fixture.wait_for(
        lambda m: (
            (m.is_report("transfer", order=sent.id) and m.body.get("step") in ("lift", "travel-to-drop"))
            or _holds(sent.id)(m)
        ),
        fixture.stretched(crane_of(fixture).job_timeout_ms),
        sent.before,
    )
    fixture.need(lifted is not None, "the transfer did not come to its lift")
