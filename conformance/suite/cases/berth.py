"""A berth: a train is found, not counted."""

from __future__ import annotations

from conformance.oracle.leaving_time import OWN_CLOCK
from conformance.oracle.link_log import Message
from conformance.suite.case import case
from conformance.suite.exchange import Answer, SentOrder
from conformance.suite.fixture import Fixture, Inputs
from conformance.suite.jobs import complete, done, ends_by_time_out, running
from conformance.suite.machine_states import first_states, is_pushed, settles, walk_of_states
from conformance.suite.occasions import OF_A_BERTH
from conformance.suite.preamble import (
    berth_at_rest,
    berth_empty,
    berth_lost,
    held_for_a_while,
    reset_faults,
    told_count,
)
from protocol.site import BerthSite

BERTH = ("berth",)


def _site(fixture: Fixture) -> BerthSite:
    assert fixture.node.berth is not None
    return fixture.node.berth


def _state(answer: Answer) -> str:
    return str(answer.body("train-arrival").get("state"))


def pulses(fixture: Fixture, count: int, sensor: str = "end") -> Inputs:
    """Pulses that are each longer than the debounce time, and apart by more."""
    wide = 10 * _site(fixture).debounce_ms
    return tuple((sensor, level, wide) for _ in range(count) for level in (True, False))


@case("BER-01", after=("orders-ask",), roles=BERTH, passive=True)
def berth_comes_up(fixture: Fixture) -> None:
    """A berth comes up 'lost'.

    Judged from the first train-arrival of every boot whose first connection was seen; switch the berth on
    after the kit.
    """
    for _ in first_states(fixture, "train-arrival"):
        pass


@case("BER-02", after=("orders-ask",), roles=BERTH, passive=True, occasions=OF_A_BERTH)
def berth_states(fixture: Fixture) -> None:
    """A berth changes its state only as the table of arrival states allows.

    Judged from every two train-arrival messages that follow each other in a boot.
    """
    walk_of_states(fixture, "train-arrival")


@case("BER-03", "ORD-20", after=("claim-raises",), roles=BERTH)
def berth_lost_refuses(fixture: Fixture) -> None:
    """A berth that is 'lost' refuses admit and depart with 'state' and moves nothing.

    Sends one of each, with deadlines in time.
    """
    before = berth_lost(fixture)
    fixture.refused(fixture.order("admit"), "state", "BER-03")
    fixture.refused(fixture.order("depart"), "state", "BER-03")
    fixture.unmoved(before, "BER-03")


@case("BER-07", "FLT-05", after=("claim-raises",), roles=BERTH)
def berth_found_empty(fixture: Fixture) -> None:
    """A lost berth becomes 'empty' by a reset-fault that says 'none' was found, and by nothing less.

    Sends reset-fault with nothing found, which leaves it lost, and then with 'none'. On the bench both
    sensors are played in between: they end nothing either.
    """
    before = berth_lost(fixture)
    reset_faults(fixture)
    answer = fixture.ask()
    fixture.equal(_state(answer), "lost", "BER-07", "still 'lost'", answer.report)
    if fixture.on_bench:
        fixture.stimulate(*pulses(fixture, 1, "arming"), *pulses(fixture, 1))
        fixture.watch(200)
        answer = fixture.ask()
        fixture.equal(_state(answer), "lost", "BER-07", "still 'lost'", answer.report)
    reset_faults(fixture, found="none")
    after = fixture.unmoved(before, "FLT-05")
    fixture.equal(_state(after), "empty", "BER-07", "'empty'", after.report)


@case("BER-03", "ORD-20", after=("berth-found-empty",), roles=BERTH)
def berth_empty_refuses(fixture: Fixture) -> None:
    """A berth that is 'empty' refuses depart with 'state'.

    Orders depart with a deadline in time. Nothing moves.
    """
    before = berth_empty(fixture)
    fixture.refused(fixture.order("depart"), "state", "BER-03")
    fixture.unmoved(before, "BER-03")


@case("BER-03", after=("berth-arrival",), roles=BERTH, moves=True)
def berth_taken_refuses(fixture: Fixture) -> None:
    """A berth with a train at rest refuses admit with 'state'.

    Brings a train to rest, and orders another one in. Nothing moves.
    """
    before = berth_at_rest(fixture)
    fixture.refused(fixture.order("admit"), "state", "BER-03")
    after = fixture.unmoved(before, "BER-03")
    fixture.equal(_state(after), "at-rest", "BER-02", "'at-rest'", after.report)


@case("BER-04", "BER-06", "ORD-16", after=("orders-job",), roles=BERTH, moves=True)
def berth_arrival(fixture: Fixture) -> None:
    """A train comes to rest and its arrival is told: count, reading and time from arming to end.

    Orders admit. On the bench the arming sensor and then one pulse of the end sensor are played; in service
    a train has to come. The count of arrivals goes up by one.
    """
    before = berth_empty(fixture)
    count = (told_count(fixture, before, "train-arrival", "arrival") + 1) % 65536
    sent = fixture.order("admit")
    final = complete(fixture, sent)
    fixture.check(final.body["state"] == "done", "ORD-16", "admit 'done'", dict(final.body), final)
    answer = fixture.ask()
    arrival = answer.body("train-arrival")
    fixture.equal(arrival["state"], "at-rest", "ORD-16", "'at-rest'", answer.report)
    fixture.equal(arrival["arrival"], count, "BER-06", f"arrival {count}", answer.report)
    complete_ = "reading" in arrival and "arm_to_end" in arrival
    fixture.check(complete_, "BER-06", "reading and arm_to_end", dict(arrival), answer.report)


@case("BER-04", after=("berth-arrival",), roles=BERTH, moves=True, mode="bench")
def berth_ignores_pulses(fixture: Fixture) -> None:
    """End pulses before the arming sensor change nothing but their count, whatever their number.

    Admits three trains with none, one and a random number of end pulses before the arming sensor: each
    comes to rest on the first end pulse after it, and the number of ignored pulses is told.
    """
    for before_arming in (0, 1, fixture.rng.randrange(2, 5)):
        berth_empty(fixture)
        sent = _admit(fixture)
        if before_arming:
            fixture.stimulate(*pulses(fixture, before_arming))
            fixture.watch(fixture.stretched(2 * before_arming * 10 * _site(fixture).debounce_ms + 50))
        answer = fixture.ask()
        fixture.equal(_state(answer), "admitting", "BER-04", "still 'admitting'", answer.report)
        _arm(fixture, sent)
        fixture.stimulate(*pulses(fixture, 1))
        complete(fixture, sent, cues=())
        answer = fixture.ask()
        seen = answer.body("train-arrival").get("ignored")
        fixture.equal(_state(answer), "at-rest", "BER-04", "'at-rest'", answer.report)
        fixture.equal(seen, before_arming, "BER-04", f"{before_arming} ignored pulses", answer.report)


@case("BER-08", "BEN-02", after=("berth-ignores-pulses",), roles=BERTH, moves=True, mode="bench")
def berth_bounce(fixture: Fixture) -> None:
    """Edges closer than the debounce time count once.

    Admits a train and plays two end pulses before the arming sensor that bounce with edges a millisecond less
    than the debounce time apart: two pulses are counted as ignored, not four.
    """
    berth_empty(fixture)
    sent = _admit(fixture)
    wide, close = 10 * _site(fixture).debounce_ms, max(1, _site(fixture).debounce_ms - 1)
    bounce: Inputs = (("end", True, wide), ("end", False, wide), ("end", True, close), ("end", False, close))
    fixture.stimulate(*bounce, *bounce)
    fixture.watch(fixture.stretched(4 * wide + 50))
    _arm(fixture, sent)
    fixture.stimulate(*pulses(fixture, 1))
    complete(fixture, sent, cues=())
    answer = fixture.ask()
    ignored = answer.body("train-arrival").get("ignored")
    fixture.equal(ignored, 2, "BER-08", "2 ignored pulses", answer.report)


@case("BEN-02", "BER-06", after=("berth-arrival",), roles=BERTH, moves=True, mode="bench")
def berth_times_arrival(fixture: Fixture) -> None:
    """The time from arming to end is what the stimulus played, to a few milliseconds.

    Plays the arming sensor and then the end sensor a random time later, in one stimulus, so that the node
    itself times it and no network comes between, of a slow train and then of a fast one. Allowed is the debounce time
    and two milliseconds either way.
    """
    for apart in (fixture.rng.randrange(600, 900), fixture.rng.randrange(150, 400)):
        berth_empty(fixture)
        sent = _admit(fixture)
        wide = 10 * _site(fixture).debounce_ms
        fixture.stimulate(
            ("arming", True, 20), ("arming", False, wide), ("end", True, apart - wide), ("end", False, wide)
        )
        complete(fixture, sent, cues=())
        answer = fixture.ask()
        seen = answer.body("train-arrival").get("arm_to_end")
        fits = seen is not None and abs(seen - apart) <= _site(fixture).debounce_ms + 2
        fixture.check(fits, "BEN-02", f"arm_to_end {apart} ms", f"{seen} ms", answer.report)


@case("BER-06", after=("berth-arrival",), roles=BERTH, moves=True)
def berth_counts_arrivals(fixture: Fixture) -> None:
    """A refused admit is no arrival, and the next accepted one counts one up.

    Reads the count, has an admit refused as late, and brings a train to rest: the count is one up.
    """
    before = berth_empty(fixture)
    count = told_count(fixture, before, "train-arrival", "arrival")
    fixture.refused(fixture.order("admit", deadline=fixture.uptime_in(-1000)), "late", "ORD-10")
    after = fixture.ask()
    seen = after.body("train-arrival").get("arrival")
    fixture.equal(seen, count, "BER-06", f"arrival {count} after a refused admit", after.report)
    done(fixture, "admit")
    after = fixture.ask()
    seen = after.body("train-arrival").get("arrival")
    fixture.equal(seen, (count + 1) % 65536, "BER-06", f"arrival {count + 1}", after.report)


@case("BER-02", "ORD-16", after=("berth-arrival",), roles=BERTH, moves=True)
def berth_departs(fixture: Fixture) -> None:
    """A depart ends 'done' when the train has gone, and the berth is then 'empty'.

    Brings a train to rest and lets it go. On the bench both sensors change, and the end sensor again after half of
    `clear_ms` of the site file: the train has gone when neither has changed for `clear_ms` since the last time.
    """
    berth_at_rest(fixture)
    sent = fixture.order("depart")
    if fixture.on_bench:
        began = running(fixture, sent).at_ms
        fixture.stimulate(*pulses(fixture, 1, "arming"), *pulses(fixture, 1))
        fixture.watch(_site(fixture).clear_ms / 2)
        last = pulses(fixture, 1)
        changed_ms = fixture.bench.now_ms + sum(delay for _, _, delay in last)
        fixture.stimulate(*last)
        final = complete(fixture, sent, cues=())
        clear_ms, seen_ms = _site(fixture).clear_ms, final.at_ms - changed_ms
        fixture.in_time(
            seen_ms >= clear_ms * OWN_CLOCK, (began, final.at_ms), "BER-02",
            f"no sensor changes for {clear_ms} ms before the train has gone", f"after {max(0, seen_ms):.0f} ms", final,
        )  # fmt: skip
    else:
        final = complete(fixture, sent)
    fixture.check(final.body["state"] == "done", "ORD-16", "depart 'done'", dict(final.body), final)
    answer = fixture.ask()
    fixture.equal(_state(answer), "empty", "ORD-16", "'empty'", answer.report)


@case(
    "BER-05", "FLT-02", "HLD-05", after=("berth-arrival", "hold-ends"), roles=BERTH, moves=True, mode="bench"
)
def berth_not_armed(fixture: Fixture) -> None:
    """A berth whose arming sensor does not fire in time is 'lost' with 'not-armed', held meanwhile or not.

    Admits a train, holds the berth for a second and resumes it, plays end pulses only and waits for the arming
    time-out of the site file.
    """
    berth_empty(fixture)
    sent = _admit(fixture)
    held_ms = held_for_a_while(fixture)
    fixture.stimulate(*pulses(fixture, 2))
    _lost_with(fixture, sent, "not-armed", _site(fixture).arming_timeout_ms + held_ms)


@case(
    "BER-05", "FLT-02", "HLD-05", after=("berth-arrival", "hold-ends"), roles=BERTH, moves=True, mode="bench"
)
def berth_end_missed(fixture: Fixture) -> None:
    """A berth whose end sensor does not fire in time after arming is 'lost' with 'end-missed', held meanwhile or not.

    Admits a train, plays the arming sensor only, holds the berth for a second and resumes it, and waits for the end
    time-out of the site file: its clock stands while the berth is held, and goes on with the resume.
    """
    berth_empty(fixture)
    sent = _admit(fixture)
    _arm(fixture, sent)
    held_ms = held_for_a_while(fixture)
    _lost_with(fixture, sent, "end-missed", _site(fixture).end_timeout_ms + held_ms)


@case("BER-10", after=("berth-arrival",), roles=BERTH, moves=True, mode="bench")
def berth_pushed(fixture: Fixture) -> None:
    """A berth at which a sensor changes where nothing was ordered is 'lost' with 'input-lost'.

    Has the track found empty and plays a pulse of the end sensor at once: the berth settles and stays 'empty'. Later
    the same pulse makes it 'lost', and so it does where the berth is held, and with a train at rest by a pulse of
    the arming sensor.
    """
    once, arming = pulses(fixture, 1), pulses(fixture, 1, "arming")
    berth_lost(fixture)
    reset_faults(fixture, found="none")
    settles(fixture, "train-arrival", "empty", once, "BER-10")
    is_pushed(fixture, "train-arrival", "empty", once, "BER-10")
    berth_empty(fixture)
    fixture.send({"act": "hold"})
    is_pushed(fixture, "train-arrival", "empty", once, "BER-10")
    berth_at_rest(fixture)
    is_pushed(fixture, "train-arrival", "at-rest", arming, "BER-10")


def _admit(fixture: Fixture) -> SentOrder:
    sent = fixture.order("admit")

    def begun(message: Message) -> bool:
        return message.name == "train-arrival" and message.body.get("state") == "admitting"

    running(fixture, sent)
    fixture.need(
        fixture.wait_for(begun, fixture.patience_ms, sent.before) is not None, "no train is admitted"
    )
    return sent


def _arm(fixture: Fixture, sent: SentOrder) -> None:
    fixture.stimulate(*pulses(fixture, 1, "arming"))

    def armed(message: Message) -> bool:
        return message.name == "train-arrival" and message.body.get("state") == "armed"

    seen = fixture.wait_for(armed, fixture.patience_ms, sent.before)
    fixture.check(seen is not None, "BER-04", "'armed' after the arming sensor", "no such state")


def _lost_with(fixture: Fixture, sent: SentOrder, code: str, limit_ms: int) -> None:
    answer = ends_by_time_out(fixture, sent, code=code, limit_ms=limit_ms, requirement="BER-05")
    fixture.equal(_state(answer), "lost", "BER-05", "'lost'", answer.report)
