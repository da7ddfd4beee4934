"""A crane by itself: modes, homing, limits, parking, jogging, and what it knows of its load after a reset."""

from __future__ import annotations

from conformance.oracle.wording import in_words
from conformance.suite.case import case
from conformance.suite.crane_site import (
    BOX,
    CRANE,
    arrived,
    crane_of,
    crane_status,
    has_no_load_sensor,
    stacks,
)
from conformance.suite.fixture import Fixture
from conformance.suite.jobs import complete, done, homes, running
from conformance.suite.machine_states import first_states, walk_of_states
from conformance.suite.occasions import OF_A_CRANE
from conformance.suite.preamble import crane_ready, crane_unhomed, reset_faults, reset_node, settle
from protocol.site import Axis


@case("CRN-01", "SAF-02", after=("orders-ask",), roles=CRANE, passive=True)
def crane_comes_up(fixture: Fixture) -> None:
    """A crane comes up 'unhomed' with no axis homed and no motor ever switched on.

    Judged from the first crane-status of every boot whose first connection was seen: a crane that was
    already at work when the kit came cannot be judged, so switch it on after the kit.
    """
    for first in first_states(fixture, "crane-status"):
        homed = [axis[2] for axis in first.body["axes"]]
        fixture.check(not any(homed), "CRN-01", "no axis homed at first", homed, first)


@case("CRN-02", after=("orders-ask",), roles=CRANE, passive=True, occasions=OF_A_CRANE)
def crane_modes(fixture: Fixture) -> None:
    """A crane changes its mode only as the table of crane modes allows.

    Judged from every two crane-status messages that follow each other in a boot.
    """
    walk_of_states(fixture, "crane-status")


@case("CRN-03", "ORD-20", after=("claim-raises",), roles=CRANE)
def crane_unhomed_refuses(fixture: Fixture) -> None:
    """A crane that is not homed refuses transfer, park and jog with 'mode' and moves nothing.

    Sends one of each, all of them within reach and at known places.
    """
    before = crane_unhomed(fixture)
    fixture.refused(fixture.order("park"), "mode", "CRN-03")
    fixture.refused(
        fixture.order("jog", target=[axis.park for axis in crane_of(fixture).axes]), "mode", "CRN-03"
    )
    known = stacks(fixture.site, fixture.node)
    if known:
        sent = fixture.order(
            "transfer", from_=known[0].place, from_slot=0, to=known[0].place, to_slot=0, box=BOX
        )
        fixture.refused(sent, "mode", "CRN-03")
    after = fixture.unmoved(before, "CRN-03")
    mode = crane_status(after)["mode"]
    fixture.equal(mode, "unhomed", "CRN-01", "still 'unhomed'", after.report)


@case("CRN-01", "CRN-11", "ORD-16", after=("claim-raises",), roles=CRANE, moves=True)
def crane_homes(fixture: Fixture) -> None:
    """A home order ends 'done' only when every axis is homed, and the crane is then 'ready'.

    Starts from 'unhomed' and orders home. On the bench one home switch is kept back at first: the job must
    not be done before it has closed.
    """
    before = crane_unhomed(fixture, moves=True)
    axes = crane_status(before)["axes"]
    fixture.check(not any(axis[2] for axis in axes), "CRN-11", "no axis homed", axes, before.report)
    sent = fixture.order("home")
    report = fixture.report(sent)
    fixture.check(report.body["state"] != "refused", "CRN-01", "home accepted", dict(report.body), report)
    if fixture.on_bench:
        running(fixture, sent)
        *first, _ = homes(fixture.node, True)
        if first:
            fixture.stimulate(*first)
            fixture.watch(fixture.stretched(300))
        early = crane_status(fixture.ask())
        homed = [axis[2] for axis in early["axes"]]
        fixture.check(
            not all(homed) and early["mode"] == "homing", "CRN-11", "'homing' until the last switch", early
        )
    final = complete(fixture, sent)
    fixture.check(final.body["state"] == "done", "ORD-16", "home 'done'", dict(final.body), final)
    after = fixture.ask()
    status = crane_status(after)
    fits = status["mode"] == "ready" and all(axis[2] for axis in status["axes"])
    fixture.check(fits, "ORD-16", "'ready' with every axis homed", status, after.report)


@case("CRN-04", after=("crane-homes",), roles=CRANE, moves=True)
def crane_reach(fixture: Fixture) -> None:
    """A target outside the limits of any axis is refused 'reach', and so is one for too many or too few axes.

    Orders jogs one unit and, at random, further beyond each end of each axis, and with one axis left out. A jog to the
    very ends is accepted; it is cancelled at once.
    """
    before = crane_ready(fixture)
    axes = crane_of(fixture).axes
    parked = [axis.park for axis in axes]
    for number, axis in enumerate(axes):
        for beyond in _beyond(axis, fixture.rng.randrange(2, 2000)):
            target = [*parked[:number], beyond, *parked[number + 1 :]]
            fixture.refused(fixture.order("jog", target=target), "reach", "CRN-04")
    if len(axes) > 1:
        fixture.refused(fixture.order("jog", target=parked[:-1]), "reach", "CRN-04")
    if len(axes) < 3:
        fixture.refused(fixture.order("jog", target=[*parked, 0]), "reach", "CRN-04")
    fixture.unmoved(before, "CRN-04")
    for ends in ([axis.least for axis in axes], [axis.most for axis in axes]):
        jog = fixture.order("jog", target=ends)
        report = fixture.report(jog)
        state = report.body["state"]
        fixture.check(
            state != "refused", "CRN-04", f"a jog to {in_words(ends)} accepted", dict(report.body), report
        )
        fixture.answer_to("cancel", ref=jog.id)
        crane_ready(fixture)


def _beyond(axis: Axis, far: int) -> list[int]:
    return [max(axis.least - far, -32768), axis.least - 1, axis.most + 1, min(axis.most + far, 32767)]


@case("CRN-11", "ORD-16", after=("crane-homes",), roles=CRANE, moves=True)
def crane_parks(fixture: Fixture) -> None:
    """A park order ends 'done' at the parking position of the site file.

    Orders park and compares every axis with the site file; target and position are equal.
    """
    crane_ready(fixture)
    done(fixture, "park")
    answer = fixture.ask()
    arrived(fixture, answer)
    where = [axis[0] for axis in crane_status(answer)["axes"]]
    parked = [axis.park for axis in crane_of(fixture).axes]
    fixture.equal(where, parked, "ORD-16", f"axes at {in_words(parked)}", answer.report)


@case("CRN-11", "ORD-16", after=("crane-homes",), roles=CRANE, moves=True)
def crane_jogs(fixture: Fixture) -> None:
    """A jog ends 'done' with every axis at the target that was ordered.

    Orders a jog to a random position inside the limits and back, and compares.
    """
    crane_ready(fixture)
    target = [fixture.rng.randint(*_near(axis)) for axis in crane_of(fixture).axes]
    sent = fixture.order("jog", target=target)
    final = complete(fixture, sent)
    fixture.check(final.body["state"] == "done", "ORD-16", "jog 'done'", dict(final.body), final)
    answer = fixture.ask()
    arrived(fixture, answer)
    where = [axis[0] for axis in crane_status(answer)["axes"]]
    fixture.equal(where, target, "ORD-16", f"axes at {in_words(target)}", answer.report)


def _near(axis: Axis) -> tuple[int, int]:
    """A quarter of the axis around its parking position: enough to see, and soon done."""
    reach = (axis.most - axis.least) // 4
    return max(axis.least, axis.park - reach), min(axis.most, axis.park + reach)


@case("CRN-09", after=("orders-ask",), roles=CRANE, restarts=True, applies=has_no_load_sensor)
def crane_load_unsure(fixture: Fixture) -> None:
    """After a reset a crane without a load sensor says 'load-unsure' until a person settles it.

    Resets the crane: load is 'unsure' and the fault 'load-unsure' is active. reset-fault with 'none' found
    ends both.
    """
    fixture.need(reset_node(fixture) is not None, "the node did not come back after its reset")
    settle(fixture)
    answer = fixture.ask()
    told = (crane_status(answer)["load"], "load-unsure" in answer.body("fault").get("active", []))
    fixture.equal(told, ("unsure", True), "CRN-09", "load 'unsure' and 'load-unsure' active", answer.report)
    reset_faults(fixture, found="none")
    answer = fixture.ask()
    told = (crane_status(answer)["load"], "load-unsure" in answer.body("fault").get("active", []))
    fixture.equal(told, ("none", False), "CRN-09", "load 'none' and no 'load-unsure'", answer.report)
