"""Bringing a node into the state that a case starts from, and its jobs to an end.

On the bench the tester plays the sensors: home switches, load, arming and end, stops. In service the
machine's own sensors do, and the tester only waits.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from conformance.oracle.link_log import Message
from conformance.suite.fixture import Answer, Inputs, Sent, Stand
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


def complete(stand: Stand, sent: Sent, *, cues: tuple[Cue, ...] | None = None) -> Message:
    """Play the sensors that a job needs until its final report, which is given.

    Raises Broken where no final report comes in the time that the site file allows the job.
    """
    open_cues = list(cues_for(stand, sent) if cues is None else cues) if stand.on_bench else []
    within = allowed_ms(stand, sent.act)
    end = stand.bench.now_ms + within
    seen = sent.before
    while True:
        message = stand.wait_for(lambda m: m.from_node, end - stand.bench.now_ms, seen)
        if message is None:
            raise Broken(
                "ORD-16",
                f"a final report for {sent.act!r} {sent.id}",
                f"none within the {within:.0f} ms that the site file allows",
            )
        seen = message.number
        if message.is_report(sent.act, order=sent.id) and message.body["state"] in FINAL:
            stand.judged["ORD-16"] += 1
            if sent.act == "home" and stand.on_bench:
                # Left closed, the switches would end the next homing before anything has moved.
                stand.stimulate(*homes(stand, False))
            return message
        for cue in [cue for cue in open_cues if cue.wanted(message)]:
            open_cues.remove(cue)
            stand.stimulate(*cue.inputs)


def done(stand: Stand, act: str, **fields: Any) -> Message:
    """Order a job and bring it to its end, which must be 'done'. Raises Unclear where it is not."""
    sent = stand.order(act, **fields)
    report = complete(stand, sent)
    stand.need(
        report.body["state"] == "done",
        f"{act!r} ended {report.body['state']!r}, reason {report.body.get('reason', '')!r}",
    )
    return report


def allowed_ms(stand: Stand, act: str) -> float:
    """How long a job may take by the site file, with some margin."""
    node = stand.node
    times = {"admit": 0, "depart": 0, "run": 0}
    if node.berth:
        times["admit"] = node.berth.arming_timeout_ms + node.berth.end_timeout_ms
        times["depart"] = node.berth.arming_timeout_ms + node.berth.end_timeout_ms + node.berth.clear_ms
    if node.shuttle:
        times["run"] = node.shuttle.run_timeout_ms
    crane = node.crane.job_timeout_ms if node.crane else 0
    return stand.stretched(times.get(act, crane) + MARGIN_MS)


def cues_for(stand: Stand, sent: Sent) -> tuple[Cue, ...]:
    """The sensor inputs that a conformant job needs on the bench."""

    def report(step: str = "") -> Callable[[Message], bool]:
        return lambda m: (
            m.is_report(sent.act, order=sent.id)
            and m.body["state"] == "running"
            and (not step or m.body.get("step") == step)
        )

    match sent.act:
        case "home":
            return (Cue(report(), homes(stand, True)),)
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
            return (Cue(report(), arriving(stand, str(sent.body["to"]))),)
    return ()


def homes(stand: Stand, level: bool) -> Inputs:
    """Every home switch of the node's crane to one level."""
    axes = stand.node.crane.axes if stand.node.crane else ()
    return tuple((switch, level, 40) for switch, _ in zip(HOME_SWITCHES, axes, strict=False))


def arriving(stand: Stand, place: str) -> Inputs:
    """The stop sensors as they fire when the shuttle leaves where it stands and reaches `place`."""
    stops = stand.node.shuttle.stops if stand.node.shuttle else ()
    others = tuple((f"stop-{n}", False, 10) for n, stop in enumerate(stops, 1) if stop != place)
    return (*others, (f"stop-{stops.index(place) + 1}", True, 100))


# ---------------------------------------------------------------- states to start from


def settle(stand: Stand) -> Answer:
    """Own the node, end its hold and its job; the state that every active case may rely on."""
    answer = stand.ask()
    state = answer.role_state
    if state.get("held"):
        stand.answer_to("resume", holds=state["holds"])
        answer = stand.ask()
    if answer.job[1] in OPEN:
        end_open_job(stand, answer)
        answer = stand.ask()
    return answer


def end_open_job(stand: Stand, answer: Answer) -> None:
    """Cancel the open job or, where it has gone too far, take the motor power away on the bench or wait."""
    job = int(answer.job[0] or 0)
    report = stand.report(stand.order("cancel", ref=job))
    if report.body["state"] in FINAL:
        return
    if stand.on_bench:
        power_failure(stand)
        return

    def ended(m: Message) -> bool:
        return m.from_node and m.body.get("job") == job and m.body.get("job_state") in FINAL

    longest = max(allowed_ms(stand, act) for act in ("home", "admit", "depart", "run"))
    stand.need(stand.wait_for(ended, longest) is not None, "the job of the case before does not end")


def reset_node(stand: Stand) -> Message | None:
    """Reset the node; gives its first status of the new boot, None where none comes in time.

    What the old boot said last may come after the reset has begun: only a later connection is that of the new one.
    """
    mark = stand.log.end
    before = max((trace.connection for trace in stand.log.traces), default=0)
    stand.bench.restart()
    return stand.wait_for(
        lambda m: m.from_node and m.name == "node-status" and m.trace.connection > before,
        stand.limit_ms("reconnect"),
        mark,
    )


def power_failure(stand: Stand) -> None:
    """On the bench: take the motor power away and give it back."""
    stand.stimulate(("motor-power", False, 0), ("motor-power", True, 100))
    stand.wait_for(lambda m: m.name == "fault" and "power-lost" in m.body.get("active", ()), 1000)
    stand.watch(200)
    stand.ask()


def fault_count(answer: Answer) -> int:
    """The fault count in an answer. Raises Unclear where it tells none."""
    faults = answer.body("fault").get("faults")
    if faults is None:
        raise Unclear("the node does not tell 'faults' in fault")
    return int(faults)


def told_count(stand: Stand, answer: Answer, message: str, name: str) -> int:
    """A count that a state message of an answer tells. Raises Unclear where it tells none."""
    count = answer.body(message).get(name)
    stand.need(count is not None, f"the node does not tell {name!r} in {message}")
    return int(count or 0)


def reset_faults(stand: Stand, **found: Any) -> Message:
    """Send reset-fault with the fault count of now and what a person 'found'."""
    return stand.answer_to("reset-fault", faults=fault_count(stand.ask()), **found)


def crane_unhomed(stand: Stand) -> Answer:
    """A crane in mode 'unhomed': as it came up, or on the bench after a loss of motor power."""
    answer = settle(stand)
    if answer.body("crane-status").get("mode") == "unhomed":
        return answer
    stand.need(stand.on_bench, "a crane that has homed is unhomed again only after a reset")
    power_failure(stand)
    reset_faults(stand, found="none")
    return stand.ask()


def _at_rest(stand: Stand, answer: Answer) -> Answer:
    """A crane whose job was cancelled may brake for a while before it says 'ready' [CRN-11]."""
    busy = ("working", "homing")
    if answer.body("crane-status").get("mode") not in busy:
        return answer
    stand.wait_for(
        lambda m: m.from_node and m.name == "crane-status" and m.body.get("mode") not in busy,
        allowed_ms(stand, "home"),
    )
    return stand.ask()


def crane_sound(stand: Stand) -> Answer:
    """A crane at rest with its faults cleared, homed or not."""
    answer = _at_rest(stand, settle(stand))
    crane = answer.body("crane-status")
    if crane.get("mode") == "faulted" or crane.get("load") == "unsure":
        reset_faults(stand, found="none")
        answer = stand.ask()
    return answer


def crane_ready(stand: Stand) -> Answer:
    """A crane in mode 'ready' with an empty spreader: homed, faults cleared."""
    answer = crane_sound(stand)
    if answer.body("crane-status").get("mode") == "unhomed":
        done(stand, "home")
        answer = stand.ask()
    mode, load = (answer.body("crane-status").get(word) for word in ("mode", "load"))
    stand.need(mode == "ready" and load == "none", f"the crane is {mode!r} and holds {load!r}")
    return answer


def berth_empty(stand: Stand) -> Answer:
    """A berth in state 'empty'."""
    state = settle(stand).body("train-arrival").get("state")
    if state == "at-rest":
        done(stand, "depart")
    elif state != "empty":
        reset_faults(stand, found="none")
    answer = stand.ask()
    state = answer.body("train-arrival").get("state")
    stand.need(state == "empty", f"the berth is {state!r}, not 'empty'")
    return answer


def berth_at_rest(stand: Stand) -> Answer:
    """A berth with a train at rest."""
    if settle(stand).body("train-arrival").get("state") != "at-rest":
        berth_empty(stand)
        done(stand, "admit")
    return stand.ask()


def berth_lost(stand: Stand) -> Answer:
    """A berth in state 'lost': as it came up, or on the bench after a loss of motor power."""
    return _lost(stand, "train-arrival")


def shuttle_lost(stand: Stand) -> Answer:
    """A shuttle in state 'lost': as it came up, or on the bench after a loss of motor power."""
    return _lost(stand, "shuttle-status")


def _lost(stand: Stand, name: str) -> Answer:
    answer = settle(stand)
    if answer.body(name).get("state") == "lost":
        return answer
    stand.need(stand.on_bench, "the node is lost again only after a reset")
    power_failure(stand)
    answer = stand.ask()
    stand.need(answer.body(name).get("state") == "lost", "a loss of motor power did not make the node lost")
    return answer


def shuttle_at(stand: Stand, place: str = "") -> Answer:
    """A shuttle at a place: `place`, or any."""
    answer = settle(stand)
    stops = stand.node.shuttle.stops if stand.node.shuttle else ()
    if answer.body("shuttle-status").get("state") != "at-place":
        # In service a person has put it on the first stop of the site file.
        reset_faults(stand, place=place or stops[0])
        answer = stand.ask()
    if place and answer.body("shuttle-status").get("place") != place:
        done(stand, "run", to=place)
        answer = stand.ask()
    status = answer.body("shuttle-status")
    stand.need(status.get("state") == "at-place", f"the shuttle is {status.get('state')!r}, not 'at-place'")
    return answer


# ---------------------------------------------------------------- a job that every role has


def fit(stand: Stand) -> Answer:
    """A state in which `some_job` is accepted."""
    if stand.node.crane:
        return crane_sound(stand)
    return berth_empty(stand) if stand.node.berth else shuttle_at(stand)


def some_job(stand: Stand) -> Mapping[str, Any]:
    """Act and fields of a job that the node accepts when it is fit and that changes the least."""
    if stand.node.crane:
        return {"act": "home"}
    if stand.node.berth:
        return {"act": "admit"}
    stops = stand.node.shuttle.stops if stand.node.shuttle else ()
    status = stand.log.latest("shuttle-status")
    here = status.body.get("place") if status else None
    return {"act": "run", "to": next(stop for stop in stops if stop != here)}


def start(stand: Stand) -> Sent:
    """Start `some_job` and see it accepted or running. Raises Unclear where it is not."""
    sent = stand.order(**some_job(stand))
    report = stand.report(sent)
    stand.need(
        report.body["state"] in OPEN,
        f"{sent.act!r} was answered {report.body['state']!r}, reason {report.body.get('reason', '')!r}",
    )
    return sent


def leave_held(stand: Stand) -> bool:
    """Tell a node to hold, where a run is broken off in which its machine may move; gives whether it said that it does.

    Waits a moment for that and no longer: the run ends, held or not.
    """
    before = stand.log.end
    stand.send({"act": "hold"})

    def held() -> bool:
        return any(one.from_node and one.body.get("held") is True for one in stand.log.since(before))

    return stand.bench.wait(held, HELD_WITHIN_MS)
