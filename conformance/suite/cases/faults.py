"""Faults and their end."""

from __future__ import annotations

from conformance.oracle.link_log import Message
from conformance.suite.case import case
from conformance.suite.cases.orders import late_job
from conformance.suite.cases.orders_job import repeats_what_ended
from conformance.suite.fixture import Fixture
from conformance.suite.jobs import complete, running
from conformance.suite.occasions import FAULTS
from conformance.suite.preamble import fail_job, fault_count, fit, reset_faults, start
from conformance.suite.unreadable_orders import encodings_read, raises_bad_message


@case("FLT-01", after=("orders-ask",), passive=True, occasions=FAULTS)
def faults_message(fixture: Fixture) -> None:
    """A fault message names the fault that changed with its own level, and a count that never falls.

    Judged from every fault message of the run.
    """
    counts: dict[int, int] = {}
    for message in fixture.log.sent("fault"):
        body = message.body
        if not body:
            continue
        if "changed" in body:
            level = fixture.spec.fault_level(body["changed"])
            fixture.equal(body["level"], level, "FLT-01", f"level {level!r} of {body['changed']!r}", message)
        before = counts.get(body["boot"])
        if before is not None:
            grown = (body["faults"] - before) % 65536 < 32768
            fixture.check(grown, "FLT-01", f"a fault count of {before} or more", body["faults"], message)
        counts[body["boot"]] = body["faults"]


@case("FLT-03", "ENC-10", after=("encoding-unreadable", "orders-job"), moves=True)
def faults_warn_keeps_job(fixture: Fixture) -> None:
    """A fault of level warn neither ends a job nor raises the fault count.

    Sends an order that cannot be read while a job runs, in each encoding that the node reads while another: it raises
    'bad-message', and the job goes on and is done.
    """
    for encoding in encodings_read(fixture.node):
        before = fit(fixture)
        reset_faults(fixture)
        sent = start(fixture)
        running(fixture, sent)
        raises_bad_message(fixture, encoding, "while a job runs")
        final = complete(fixture, sent)
        fixture.equal(final.body["state"], "done", "FLT-03", "the job 'done'", final)
        after = fixture.ask()
        count = fault_count(before)
        fixture.equal(fault_count(after), count, "FLT-03", f"fault count {count}", after.report)


@case("FLT-02", "FLT-06", "ORD-06", after=("orders-job", "bench-stimulus"), moves=True, mode="bench")
def faults_halt(fixture: Fixture) -> None:
    """A fault of level halt ends the open job as 'failed', stops the machine and is counted once.

    Starts a job on the bench and takes the motor power away: 'power-lost' becomes active, the job fails,
    the fault count goes up by one, and the position is no longer known. Giving the power back starts
    nothing. A node need not notice that its motors have no power; one that does not is left to its own time-out,
    which fails the job and is counted too. A repeat of the job that failed is answered 'failed' and moves nothing, and
    a berth or shuttle that is lost by it refuses the next job with 'state'.
    A reset-fault before the power is back leaves 'power-lost' active.
    """
    before = fit(fixture)
    sent = start(fixture)
    fixture.stimulate(("motor-power", False, 50))
    noticed = fixture.wait_for(_says_power_lost, fixture.patience_ms, sent.before) is not None
    failed = complete(fixture, sent, cues=())
    fixture.equal(failed.body["state"], "failed", "FLT-02", "'failed'", failed)
    after = fixture.ask()
    active = after.body("fault").get("active", [])
    if noticed:
        fixture.check("power-lost" in active, "FLT-06", "'power-lost' active", active, after.report)
    expected = (fault_count(before) + 1) % 65536
    fixture.equal(fault_count(after), expected, "FLT-02", f"fault count {expected}", after.report)
    if noticed:
        _unknown(fixture)
    repeats_what_ended(fixture, sent, "failed")
    _lost_refuses(fixture)
    if noticed:
        reset_faults(fixture, **_found(fixture))
    still = fixture.ask()
    if noticed:
        active = still.body("fault").get("active", [])
        fixture.check("power-lost" in active, "FLT-06", "'power-lost' active", active, still.report)
    fixture.stimulate(("motor-power", True, 0))
    fixture.watch(fixture.stretched(300))
    fixture.unmoved(still, "FLT-05")


@case("FLT-04", "ORD-08", after=("claim-raises",))
def faults_wrong_count(fixture: Fixture) -> None:
    """A reset-fault that names another fault count is refused 'fault-count' and changes nothing.

    Sends reset-fault with the count one below the node's, one above it, and at random beside it.
    """
    before = fixture.ask()
    for beside in (-1, 1, fixture.rng.randrange(2, 60_000)):
        wrong = (fault_count(before) + beside) % 65536
        sent = fixture.order("reset-fault", faults=wrong, found="none")
        fixture.refused(sent, "fault-count", "FLT-04", mark=sent.id)
    after = fixture.unmoved(before, "FLT-04")
    told = [fault_count(before), fault_count(after)]
    fixture.check(told[0] == told[1], "FLT-04", f"fault count {told[0]}", told[1], after.report)
    for state in ("mode", "state"):
        same = after.role_state.get(state) == before.role_state.get(state)
        fixture.check(same, "FLT-04", f"{state} as before", after.role_state.get(state), after.report)


@case("FLT-05", after=("faults-halt",), moves=True, mode="bench")
def faults_reset_moves_nothing(fixture: Fixture) -> None:
    """A reset-fault clears what can be cleared, moves nothing and restarts no job.

    Ends a job by a loss of motor power, gives the power back and sends reset-fault with the right count:
    the faults of level halt are gone, the job is still 'failed', and no motor was switched on. The job of a node that
    does not notice that loss ends by its time-out.
    """
    fit(fixture)
    sent = start(fixture)
    fail_job(fixture, sent, ("motor-power", False, 0), ("motor-power", True, 200))
    fixture.watch(fixture.stretched(300))
    before = fixture.ask()
    report = reset_faults(fixture, **_found(fixture))
    said = f"{report.body['state']} {report.body.get('reason', '')}".strip()
    fixture.check(report.body["state"] == "done", "FLT-05", "reset-fault 'done'", said, report)
    fixture.watch(fixture.stretched(300))
    after = fixture.unmoved(before, "FLT-05")
    fixture.equal(after.job, (sent.id, "failed"), "FLT-05", f"job {sent.id} failed", after.report)
    active = [
        code for code in after.body("fault").get("active", []) if fixture.spec.fault_level(code) == "halt"
    ]
    fixture.check(not active, "FLT-01", "no fault of level halt active", active, after.report)


@case(
    "ORD-05", "ORD-07", "ORD-10", "HLD-01", "FLT-05",
    after=("faults-halt", "hold-all", "hold-ends", "orders-wrong-boot", "orders-stale", "orders-late"),
    moves=True, mode="bench",
)  # fmt: skip
def faults_change_no_check(fixture: Fixture) -> None:
    """Behind a job that has failed an order is checked as behind any other.

    Ends a job by a loss of motor power and gives the power back. A hold for all is obeyed. After a resume a claim for
    another boot is refused 'wrong-boot', a resume with the id of the one before 'stale', and a job that is late 'late'.
    Nothing moves.
    """
    fit(fixture)
    sent = start(fixture)
    fail_job(fixture, sent, ("motor-power", False, 0), ("motor-power", True, 200))
    fixture.watch(fixture.stretched(300))
    before = fixture.ask()
    fixture.send({"act": "hold"}, topic=fixture.topic(fixture.spec.everyone))
    held = fixture.ask()
    fixture.check(held.role_state["held"], "HLD-01", "held", "not held", held.report)
    holds = held.role_state["holds"]
    fixture.answer_to("resume", holds=holds)
    mark = fixture.ask().mark
    other = fixture.compose("claim", id=mark + 100_000) | {"boot": fixture.other_boot()}
    fixture.refused(fixture.send(other), "wrong-boot", "ORD-05")
    fixture.refused(fixture.send(fixture.compose("resume", id=mark, holds=holds)), "stale", "ORD-07")
    fixture.refused(fixture.send(late_job(fixture)), "late", "ORD-10")
    fixture.unmoved(before, "FLT-05")


def _lost_refuses(fixture: Fixture) -> None:
    """Demand that a machine which its fault has left lost refuses a job for that [BER-03, SHT-03]."""
    answer = fixture.ask()
    for name, requirement in (("train-arrival", "BER-03"), ("shuttle-status", "SHT-03")):
        if answer.body(name).get("state") == "lost":
            stops = fixture.node.shuttle.stops if fixture.node.shuttle else ("",)
            act = {"act": "admit"} if name == "train-arrival" else {"act": "run", "to": stops[0]}
            fixture.refused(fixture.order(**act), "state", requirement)


def _says_power_lost(message: Message) -> bool:
    return message.from_node and message.name == "fault" and "power-lost" in message.body.get("active", ())


def _found(fixture: Fixture) -> dict[str, str]:
    """What a person would say who has looked."""
    if fixture.node.shuttle and not fixture.node.crane and not fixture.node.berth:
        return {"place": fixture.node.shuttle.stops[0]}
    return {"found": "none"}


def _unknown(fixture: Fixture) -> None:
    """Demand that a node without motor power no longer claims to know where its machine is."""
    answer = fixture.ask()
    crane = answer.body("crane-status")
    if fixture.node.crane:
        homed = [axis[2] for axis in crane["axes"]]
        fixture.check(not any(homed), "FLT-06", "no axis homed", homed, answer.report)
        fixture.equal(crane["mode"], "faulted", "FLT-02", "mode 'faulted'", answer.report)
    for name in {"train-arrival", "shuttle-status"} & set(fixture.state_topics):
        state = answer.body(name).get("state")
        fixture.equal(state, "lost", "FLT-06", f"'lost' in {name}", answer.report)
