"""A shuttle: where it stands, and that it stands there."""

from __future__ import annotations

from conformance.suite.case import case
from conformance.suite.exchange import Answer
from conformance.suite.fixture import Fixture
from conformance.suite.jobs import arriving, complete, done, ends_by_time_out, running
from conformance.suite.machine_states import first_states, is_pushed, settles, walk_of_states
from conformance.suite.occasions import OF_A_SHUTTLE
from conformance.suite.preamble import reset_faults, shuttle_at, shuttle_lost, told_count
from protocol.site import NodeSite, ShuttleSite, Site

SHUTTLE = ("shuttle",)
NOWHERE = "no-place"


def _site(fixture: Fixture) -> ShuttleSite:
    assert fixture.node.shuttle is not None
    return fixture.node.shuttle


def _state(answer: Answer) -> str:
    return str(answer.body("shuttle-status").get("state"))


def _three_stops(_site_: Site, node: NodeSite) -> str:
    return "" if node.shuttle and len(node.shuttle.stops) > 2 else "the site file gives it no third stop"


@case("SHT-01", after=("orders-ask",), roles=SHUTTLE, passive=True)
def shuttle_comes_up(fixture: Fixture) -> None:
    """A shuttle comes up 'lost'.

    Judged from the first shuttle-status of every boot whose first connection was seen; switch it on after
    the kit.
    """
    for _ in first_states(fixture, "shuttle-status"):
        pass


@case("SHT-02", after=("orders-ask",), roles=SHUTTLE, passive=True, occasions=OF_A_SHUTTLE)
def shuttle_states(fixture: Fixture) -> None:
    """A shuttle changes its state only as the table of shuttle states allows.

    Judged from every two shuttle-status messages that follow each other in a boot.
    """
    walk_of_states(fixture, "shuttle-status")


@case("SHT-03", "ORD-20", after=("claim-raises",), roles=SHUTTLE)
def shuttle_lost_refuses(fixture: Fixture) -> None:
    """A shuttle that is 'lost' refuses run with 'state' and moves nothing.

    Orders run to every stop of the site file.
    """
    before = shuttle_lost(fixture)
    for stop in _site(fixture).stops:
        fixture.refused(fixture.order("run", to=stop), "state", "SHT-03")
    fixture.unmoved(before, "SHT-03")


@case("SHT-06", "FLT-05", after=("claim-raises",), roles=SHUTTLE)
def shuttle_found(fixture: Fixture) -> None:
    """A lost shuttle is 'at-place' by a reset-fault that names a place it serves, and by nothing less.

    Sends reset-fault with no place and with one that it does not serve, which leave it lost, and then with
    its first stop. In service the shuttle has to stand there.
    """
    before = shuttle_lost(fixture)
    first = _site(fixture).stops[0]
    for found in ({}, {"place": NOWHERE}):
        reset_faults(fixture, **found)
        answer = fixture.ask()
        fixture.equal(_state(answer), "lost", "SHT-06", "still 'lost'", answer.report)
    if fixture.on_bench:
        fixture.stimulate(("stop-1", True, 40), ("stop-1", False, 100))
        fixture.watch(200)
        answer = fixture.ask()
        fixture.equal(_state(answer), "lost", "SHT-06", "still 'lost'", answer.report)
    reset_faults(fixture, place=first)
    after = fixture.unmoved(before, "FLT-05")
    status = after.body("shuttle-status")
    told = (status["state"], status.get("place"))
    fixture.equal(told, ("at-place", first), "SHT-06", f"'at-place' at {first!r}", after.report)


@case("SHT-03", "ORD-20", after=("shuttle-found",), roles=SHUTTLE)
def shuttle_unknown_place(fixture: Fixture) -> None:
    """A run to a place that the shuttle does not serve is refused 'place'.

    Orders a run to a place that is in no site file. Nothing moves.
    """
    before = shuttle_at(fixture)
    fixture.refused(fixture.order("run", to=NOWHERE), "place", "SHT-03")
    fixture.unmoved(before, "SHT-03")


@case("SHT-05", "ORD-16", after=("orders-job",), roles=SHUTTLE, moves=True)
def shuttle_runs(fixture: Fixture) -> None:
    """A run ends 'done' at the place that was ordered, and the stop count is one up.

    Runs to every stop of the site file in turn. On the bench the stop sensors are played.
    """
    for stop in (*_site(fixture).stops[1:], _site(fixture).stops[0]):
        before = shuttle_at(fixture)
        if before.body("shuttle-status").get("place") == stop:
            continue
        count = (told_count(fixture, before, "shuttle-status", "stop") + 1) % 65536
        sent = fixture.order("run", to=stop)
        final = complete(fixture, sent)
        fixture.check(final.body["state"] == "done", "ORD-16", "run 'done'", dict(final.body), final)
        answer = fixture.ask()
        status = answer.body("shuttle-status")
        told = (status["state"], status.get("place"))
        fixture.equal(told, ("at-place", stop), "ORD-16", f"'at-place' at {stop!r}", answer.report)
        fixture.equal(status["stop"], count, "SHT-05", f"stop {count}", answer.report)


@case("SHT-02", after=("shuttle-runs",), roles=SHUTTLE, moves=True, mode="bench")
def shuttle_passes_other_stops(fixture: Fixture) -> None:
    """The sensor of another stop does not end a run.

    Orders a run and plays the sensor of the place it leaves: it still moves. Then plays that of its target.
    """
    first, second = _site(fixture).stops[:2]
    shuttle_at(fixture, first)
    sent = fixture.order("run", to=second)
    running(fixture, sent)
    fixture.stimulate(("stop-1", False, 50), ("stop-1", True, 50), ("stop-1", False, 100))
    fixture.watch(fixture.stretched(300))
    answer = fixture.ask()
    fixture.equal(_state(answer), "moving", "SHT-02", "still 'moving'", answer.report)
    fixture.stimulate(*arriving(fixture.node, second))
    final = complete(fixture, sent, cues=())
    fixture.check(final.body["state"] == "done", "ORD-16", "run 'done'", dict(final.body), final)


@case("SHT-04", "FLT-02", after=("shuttle-runs",), roles=SHUTTLE, moves=True, mode="bench")
def shuttle_stop_missed(fixture: Fixture) -> None:
    """A shuttle whose stop sensor does not fire in time stops and is 'lost' with 'stop-missed'.

    Orders a run, plays no sensor and waits for the time-out of the site file. The stop count stays.
    """
    first, second = _site(fixture).stops[:2]
    before = shuttle_at(fixture, first)
    count = told_count(fixture, before, "shuttle-status", "stop")
    sent = fixture.order("run", to=second)
    running(fixture, sent)
    fixture.stimulate(("stop-1", False, 50))
    limit_ms = _site(fixture).run_timeout_ms
    answer = ends_by_time_out(fixture, sent, code="stop-missed", limit_ms=limit_ms, requirement="SHT-04")
    fixture.equal(_state(answer), "lost", "SHT-04", "'lost'", answer.report)
    seen = answer.body("shuttle-status").get("stop")
    fixture.equal(seen, count, "SHT-05", f"stop {count}", answer.report)


@case("SHT-02", after=("shuttle-runs",), roles=SHUTTLE, moves=True, applies=_three_stops)
def shuttle_runs_past(fixture: Fixture) -> None:
    """A run to the third stop does not end at the second.

    Runs from the first stop to the third and looks at the place where it ends.
    """
    first, _, third = _site(fixture).stops[:3]
    shuttle_at(fixture, first)
    done(fixture, "run", to=third)
    answer = fixture.ask()
    place = answer.body("shuttle-status").get("place")
    fixture.equal(place, third, "SHT-02", f"at {third!r}", answer.report)


@case("SHT-07", after=("shuttle-found",), roles=SHUTTLE, mode="bench")
def shuttle_pushed(fixture: Fixture) -> None:
    """A shuttle at which a stop sensor changes where nothing was ordered is 'lost' with 'input-lost'.

    Has it found at its first stop and closes that stop's sensor at once: it settles and stays there. Later the sensor
    opens, as where it is pushed away: it is 'lost'. Found there again and held, it is lost as another sensor closes.
    """
    stops = _site(fixture).stops
    last = f"stop-{len(stops)}"
    shuttle_lost(fixture)
    reset_faults(fixture, place=stops[0])
    settles(fixture, "shuttle-status", "at-place", (("stop-1", True, 40),), "SHT-07")
    is_pushed(fixture, "shuttle-status", "at-place", (("stop-1", False, 40),), "SHT-07")
    reset_faults(fixture, place=stops[0])
    fixture.send({"act": "hold"})
    is_pushed(fixture, "shuttle-status", "at-place", ((last, True, 40), (last, False, 40)), "SHT-07")
