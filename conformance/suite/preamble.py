"""Bringing a node into the state that a case starts from."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from conformance.oracle.link_log import Message
from conformance.suite.bench import CannotJudge
from conformance.suite.exchange import Answer, SentOrder
from conformance.suite.fixture import Fixture
from conformance.suite.jobs import allowed_ms, complete, done, is_over
from conformance.suite.verdict import NoOccasion, Unclear
from protocol.specification import FINAL, OPEN

POWER_NOTICED_MS = 1000
TRIES = 3
"""Jobs that are started until one is still open when an order about it comes."""
HELD_MS = 1_000
"""How long a job is held before it is resumed."""
HELD_WITHIN_MS = 300
"""How long the end of a run that is stopped waits for the node's word that it holds."""


# ---------------------------------------------------------------- states to start from


def settle(fixture: Fixture) -> Answer:
    """Own the node, end its hold and its job; the state that every active case may rely on."""
    answer = fixture.ask()
    state = answer.role_state
    if state.get("held"):
        fixture.answer_to("resume", holds=state["holds"])
        answer = fixture.ask()
    if answer.job[1] in OPEN:
        end_open_job(fixture, answer)
        answer = fixture.ask()
    return answer


def end_open_job(fixture: Fixture, answer: Answer) -> None:
    """Cancel the open job or, where it has gone too far, take the motor power away on the bench or wait."""
    job = int(answer.job[0] or 0)
    report = fixture.report(fixture.order("cancel", ref=job))
    if report.body["state"] in FINAL:
        return
    if fixture.on_bench and (power_failure(fixture) or _played_to_its_end(fixture, job)):
        return

    def ended(m: Message) -> bool:
        return m.from_node and m.body.get("job") == job and m.body.get("job_state") in FINAL

    longest = max(allowed_ms(fixture, act) for act in ("home", "admit", "depart", "run"))
    fixture.need(fixture.wait_for(ended, longest) is not None, "the job of the case before does not end")


def _played_to_its_end(fixture: Fixture, job: int) -> bool:
    """Play the sensors that end the open job, of a node that does not notice its motor power."""
    orders = (m for m in fixture.log.messages if not m.from_node and m.body.get("id") == job)
    order = next((m for m in orders if m.body.get("act") in fixture.spec.jobs), None)
    if order is None:
        return False
    sent = SentOrder(order.body, fixture.log.end)
    fixture.send(order.body)  # Its answer tells the step that it is at.
    complete(fixture, sent)
    return True


def reset_node(fixture: Fixture) -> Message | None:
    """Reset the node; gives its first status of the new boot, None where none comes in time.

    What the old boot said last may come after the reset has begun: only a later connection is that of the new one.
    """
    mark = fixture.log.end
    before = max((trace.connection for trace in fixture.log.traces), default=0)
    fixture.bench.restart()
    return fixture.wait_for(
        lambda m: m.from_node and m.name == "node-status" and m.trace.connection > before,
        fixture.limit_ms("reconnect"),
        mark,
    )


def power_failure(fixture: Fixture) -> bool:
    """On the bench: take the motor power away and give it back. Gives whether the node notices that: it need not."""
    before = fixture.log.end
    fixture.stimulate(("motor-power", False, 0), ("motor-power", True, 100))
    noticed = fixture.wait_for(
        lambda m: m.from_node and m.name == "fault" and "power-lost" in m.body.get("active", ()),
        POWER_NOTICED_MS,
        before,
    )
    fixture.watch(200)
    fixture.ask()
    return noticed is not None


def fail_job(fixture: Fixture, sent: SentOrder, *inputs: tuple[str, bool, int]) -> Message:
    """On the bench: end a job by a fault, and give its final report.

    `inputs` are played: a loss of motor power. A node that does not notice that comes to its own time-out.
    """
    fixture.stimulate(*inputs)
    return complete(fixture, sent, cues=())


def fault_count(answer: Answer) -> int:
    """The fault count in an answer. Raises Unclear where it tells none."""
    faults = answer.body("fault").get("faults")
    if faults is None:
        raise Unclear("the node does not tell 'faults' in fault")
    return int(faults)


def told_count(fixture: Fixture, answer: Answer, message: str, name: str) -> int:
    """A count that a state message of an answer tells. Raises Unclear where it tells none."""
    count = answer.body(message).get(name)
    fixture.need(count is not None, f"the node does not tell {name!r} in {message}")
    return int(count or 0)


def held_for_a_while(fixture: Fixture) -> int:
    """Hold the node for a second and resume it; after how many ms it goes on."""
    began = fixture.bench.now_ms
    fixture.send({"act": "hold"})
    fixture.watch(HELD_MS)
    fixture.answer_to("resume", holds=fixture.ask().role_state["holds"])
    return round(fixture.bench.now_ms - began)


def reset_faults(fixture: Fixture, **found: Any) -> Message:
    """Send reset-fault with the fault count of now and what a person 'found'."""
    return fixture.answer_to("reset-fault", faults=fault_count(fixture.ask()), **found)


def crane_unhomed(fixture: Fixture, *, moves: bool = False) -> Answer:
    """A crane in mode 'unhomed': as it came up, or on the bench after a loss of motor power.

    One that does not notice that loss is brought there by a homing that is cancelled, where it may move.
    """
    answer = settle(fixture)
    if answer.body("crane-status").get("mode") == "unhomed":
        return answer
    again = "a crane that has homed is unhomed again only after a reset"
    fixture.need(fixture.on_bench, again)
    if power_failure(fixture):
        reset_faults(fixture, found="none")
    elif moves and answer.body("crane-status").get("mode") == "ready":
        # Begun and left off, for nothing else makes it forget where it stands.
        fixture.answer_to("cancel", ref=start(fixture).id)
        _at_rest(fixture, fixture.ask())
    answer = fixture.ask()
    fixture.need(answer.body("crane-status").get("mode") == "unhomed", again)
    return answer


def _at_rest(fixture: Fixture, answer: Answer) -> Answer:
    """A crane whose job was cancelled may brake for a while before it says 'ready' [CRN-11]."""
    busy = ("working", "homing")
    if answer.body("crane-status").get("mode") not in busy:
        return answer
    fixture.wait_for(
        lambda m: m.from_node and m.name == "crane-status" and m.body.get("mode") not in busy,
        allowed_ms(fixture, "home"),
    )
    return fixture.ask()


def crane_sound(fixture: Fixture) -> Answer:
    """A crane at rest with its faults cleared, homed or not."""
    answer = _at_rest(fixture, settle(fixture))
    crane = answer.body("crane-status")
    if crane.get("mode") == "faulted" or crane.get("load") == "unsure":
        reset_faults(fixture, found="none")
        answer = fixture.ask()
    return answer


def crane_ready(fixture: Fixture) -> Answer:
    """A crane in mode 'ready' with an empty spreader: homed, faults cleared."""
    answer = crane_sound(fixture)
    if answer.body("crane-status").get("mode") == "unhomed":
        done(fixture, "home")
        answer = fixture.ask()
    mode, load = (answer.body("crane-status").get(word) for word in ("mode", "load"))
    fixture.need(mode == "ready" and load == "none", f"the crane is {mode!r} and holds {load!r}")
    return answer


def berth_empty(fixture: Fixture) -> Answer:
    """A berth in state 'empty'."""
    state = settle(fixture).body("train-arrival").get("state")
    if state == "at-rest":
        done(fixture, "depart")
    elif state != "empty":
        reset_faults(fixture, found="none")
    answer = fixture.ask()
    state = answer.body("train-arrival").get("state")
    fixture.need(state == "empty", f"the berth is {state!r}, not 'empty'")
    return answer


def berth_at_rest(fixture: Fixture) -> Answer:
    """A berth with a train at rest."""
    if settle(fixture).body("train-arrival").get("state") != "at-rest":
        berth_empty(fixture)
        done(fixture, "admit")
    return fixture.ask()


def berth_lost(fixture: Fixture) -> Answer:
    """A berth in state 'lost': as it came up, or on the bench after a loss of motor power."""
    return _lost(fixture, "train-arrival")


def shuttle_lost(fixture: Fixture) -> Answer:
    """A shuttle in state 'lost': as it came up, or on the bench after a loss of motor power."""
    return _lost(fixture, "shuttle-status")


def _lost(fixture: Fixture, name: str) -> Answer:
    answer = settle(fixture)
    if answer.body(name).get("state") == "lost":
        return answer
    fixture.need(fixture.on_bench, "the node is lost again only after a reset")
    if not power_failure(fixture):
        _push(fixture, answer.body(name).get("state") == "at-rest")
    answer = fixture.ask()
    fixture.need(
        answer.body(name).get("state") == "lost",
        "neither a loss of power nor a push made it lost",
    )
    return answer


def _push(fixture: Fixture, at_rest: bool) -> None:
    """Play what a machine that stands feels when it is pushed, once it has settled [BER-10, SHT-07]."""
    fixture.watch(fixture.stretched((fixture.spec.timing["settling"].value or 0) + 500))
    sensor = "stop-1" if fixture.node.shuttle else "arming" if at_rest else "end"
    fixture.stimulate((sensor, True, 40), (sensor, False, 40), (sensor, True, 40), (sensor, False, 40))
    fixture.watch(fixture.stretched(500))


def shuttle_at(fixture: Fixture, place: str = "") -> Answer:
    """A shuttle at a place: `place`, or any."""
    answer = settle(fixture)
    stops = fixture.node.shuttle.stops if fixture.node.shuttle else ()
    if answer.body("shuttle-status").get("state") != "at-place":
        # In service a person has put it on the first stop of the site file.
        reset_faults(fixture, place=place or stops[0])
        answer = fixture.ask()
    if place and answer.body("shuttle-status").get("place") != place:
        done(fixture, "run", to=place)
        answer = fixture.ask()
    status = answer.body("shuttle-status")
    fixture.need(status.get("state") == "at-place", f"the shuttle is {status.get('state')!r}, not 'at-place'")
    return answer


# ---------------------------------------------------------------- a job that every role has


def fit(fixture: Fixture) -> Answer:
    """A state in which `some_job` is accepted."""
    if fixture.node.crane:
        return crane_sound(fixture)
    return berth_empty(fixture) if fixture.node.berth else shuttle_at(fixture)


def some_job(fixture: Fixture) -> Mapping[str, Any]:
    """Act and fields of a job that the node accepts when it is fit and that changes the least."""
    if fixture.node.crane:
        return {"act": "home"}
    if fixture.node.berth:
        return {"act": "admit"}
    stops = fixture.node.shuttle.stops if fixture.node.shuttle else ()
    status = fixture.log.latest("shuttle-status")
    here = status.body.get("place") if status else None
    return {"act": "run", "to": next(stop for stop in stops if stop != here)}


def start(fixture: Fixture) -> SentOrder:
    """Start `some_job` and see it accepted or running. Raises Unclear where it is not."""
    sent = fixture.order(**some_job(fixture))
    report = fixture.report(sent)
    fixture.need(
        report.body["state"] in OPEN,
        f"{sent.act!r} was answered {report.body['state']!r}, reason {report.body.get('reason', '')!r}",
    )
    return sent


def while_open(fixture: Fixture, about: Callable[[SentOrder], Message]) -> tuple[SentOrder, Message]:
    """Start `some_job` and give it with the answer to what `about` sends while it is open, again where it was over.

    Raises NoOccasion where every job was over before.
    """
    for _ in range(TRIES):
        fit(fixture)
        sent = start(fixture)
        answer = about(sent)
        if not is_over(fixture, sent, answer):
            return sent, answer
        settle(fixture)
    raise NoOccasion("every job was over before an order about it came")


def leave_held(fixture: Fixture) -> bool:
    """Tell a node to hold, where a run is broken off in which its machine may move; gives whether it said that it does.

    Waits a moment for that and no longer: the run ends, held or not.
    """
    before = fixture.log.end
    fixture.send({"act": "hold"})

    def held() -> bool:
        return any(one.from_node and one.body.get("held") is True for one in fixture.log.since(before))

    try:
        return fixture.bench.wait(held, HELD_WITHIN_MS)
    except CannotJudge:
        return False
