"""Bringing a node into the state that a case starts from, and its jobs to an end.

On the bench the tester plays the sensors: home switches, load, arming and end, stops. In service the
machine's own sensors do, and the tester only waits.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from conformance.oracle.link_log import Message
from conformance.suite.fixture import Answer, Fixture, Inputs, SentOrder
from conformance.suite.verdict import Broken, Unclear
from protocol.specification import FINAL, OPEN

MARGIN_MS = 3000
HELD_WITHIN_MS = 300
"""How long the end of a run that is stopped waits for the node's word that it holds."""
HOME_SWITCHES = ("home-x", "home-y", "home-z")
PULSE: Inputs = (("end", True, 40), ("end", False, 40))
ARMING: Inputs = (("arming", True, 40), ("arming", False, 40))


@dataclass(frozen=True, slots=True)
class Cue:
    """Sensor inputs to play once, at the first message of the node that is as wanted."""

    wanted: Callable[[Message], bool]
    inputs: Inputs


# ---------------------------------------------------------------- jobs


def complete(fixture: Fixture, sent: SentOrder, *, cues: tuple[Cue, ...] | None = None) -> Message:
    """Play the sensors that a job needs until its final report, which is given.

    Raises Broken where no final report comes in the time that the site file allows the job.
    """
    open_cues = list(cues_for(fixture, sent) if cues is None else cues) if fixture.on_bench else []
    within = allowed_ms(fixture, sent.act)
    end = fixture.bench.now_ms + within
    seen = sent.before
    while True:
        message = fixture.wait_for(lambda m: m.from_node, end - fixture.bench.now_ms, seen)
        if message is None:
            raise Broken(
                "ORD-16",
                f"a final report for {sent.act!r} {sent.id}",
                f"none within the {within:.0f} ms that the site file allows",
            )
        seen = message.number
        if message.is_report(sent.act, order=sent.id) and message.body["state"] in FINAL:
            fixture.judged["ORD-16"] += 1
            if sent.act == "home" and fixture.on_bench:
                # Left closed, the switches would end the next homing before anything has moved.
                fixture.stimulate(*homes(fixture, False))
            return message
        for cue in [cue for cue in open_cues if cue.wanted(message)]:
            open_cues.remove(cue)
            fixture.stimulate(*cue.inputs)


def done(fixture: Fixture, act: str, **fields: Any) -> Message:
    """Order a job and bring it to its end, which must be 'done'. Raises Unclear where it is not."""
    sent = fixture.order(act, **fields)
    report = complete(fixture, sent)
    fixture.need(
        report.body["state"] == "done",
        f"{act!r} ended {report.body['state']!r}, reason {report.body.get('reason', '')!r}",
    )
    return report


def allowed_ms(fixture: Fixture, act: str) -> float:
    """How long a job may take by the site file, with some margin."""
    node = fixture.node
    times = {"admit": 0, "depart": 0, "run": 0}
    if node.berth:
        times["admit"] = node.berth.arming_timeout_ms + node.berth.end_timeout_ms
        times["depart"] = node.berth.arming_timeout_ms + node.berth.end_timeout_ms + node.berth.clear_ms
    if node.shuttle:
        times["run"] = node.shuttle.run_timeout_ms
    crane = node.crane.job_timeout_ms if node.crane else 0
    return fixture.stretched(times.get(act, crane) + MARGIN_MS)


def cues_for(fixture: Fixture, sent: SentOrder) -> tuple[Cue, ...]:
    """The sensor inputs that a conformant job needs on the bench."""

    def report(step: str = "") -> Callable[[Message], bool]:
        return lambda m: (
            m.is_report(sent.act, order=sent.id)
            and m.body["state"] == "running"
            and (not step or m.body.get("step") == step)
        )

    match sent.act:
        case "home":
            return (Cue(report(), homes(fixture, True)),)
        case "transfer":
            return (
                Cue(report("grip"), (("load", True, 0),)),
                Cue(report("release"), (("load", False, 0),)),
            )
        case "admit":
            return (Cue(report(), (*ARMING, *PULSE)),)
        case "depart":
            return (Cue(report(), PULSE),)
        case "run":
            return (Cue(report(), arriving(fixture, str(sent.body["to"]))),)
    return ()


def homes(fixture: Fixture, level: bool) -> Inputs:
    """Every home switch of the node's crane to one level."""
    axes = fixture.node.crane.axes if fixture.node.crane else ()
    return tuple((switch, level, 40) for switch, _ in zip(HOME_SWITCHES, axes, strict=False))


def arriving(fixture: Fixture, place: str) -> Inputs:
    """The stop sensors as they fire when the shuttle leaves where it stands and reaches `place`."""
    stops = fixture.node.shuttle.stops if fixture.node.shuttle else ()
    others = tuple((f"stop-{n}", False, 10) for n, stop in enumerate(stops, 1) if stop != place)
    return (*others, (f"stop-{stops.index(place) + 1}", True, 100))


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
    if fixture.on_bench:
        power_failure(fixture)
        return

    def ended(m: Message) -> bool:
        return m.from_node and m.body.get("job") == job and m.body.get("job_state") in FINAL

    longest = max(allowed_ms(fixture, act) for act in ("home", "admit", "depart", "run"))
    fixture.need(fixture.wait_for(ended, longest) is not None, "the job of the case before does not end")


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


def power_failure(fixture: Fixture) -> None:
    """On the bench: take the motor power away and give it back."""
    fixture.stimulate(("motor-power", False, 0), ("motor-power", True, 100))
    fixture.wait_for(lambda m: m.name == "fault" and "power-lost" in m.body.get("active", ()), 1000)
    fixture.watch(200)
    fixture.ask()


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


def reset_faults(fixture: Fixture, **found: Any) -> Message:
    """Send reset-fault with the fault count of now and what a person 'found'."""
    return fixture.answer_to("reset-fault", faults=fault_count(fixture.ask()), **found)


def crane_unhomed(fixture: Fixture) -> Answer:
    """A crane in mode 'unhomed': as it came up, or on the bench after a loss of motor power."""
    answer = settle(fixture)
    if answer.body("crane-status").get("mode") == "unhomed":
        return answer
    fixture.need(fixture.on_bench, "a crane that has homed is unhomed again only after a reset")
    power_failure(fixture)
    reset_faults(fixture, found="none")
    return fixture.ask()


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
    power_failure(fixture)
    answer = fixture.ask()
    fixture.need(answer.body(name).get("state") == "lost", "a loss of motor power did not make the node lost")
    return answer


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


def leave_held(fixture: Fixture) -> bool:
    """Tell a node to hold, where a run is broken off in which its machine may move; gives whether it said that it does.

    Waits a moment for that and no longer: the run ends, held or not.
    """
    before = fixture.log.end
    fixture.send({"act": "hold"})

    def held() -> bool:
        return any(one.from_node and one.body.get("held") is True for one in fixture.log.since(before))

    return fixture.bench.wait(held, HELD_WITHIN_MS)
