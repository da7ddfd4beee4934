"""What each message means: the words that are equal for the same event in two runs, and the figures beside them."""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from protocol.counting import COUNT_MODULUS, UPTIME_MODULUS
from protocol.specification import FINAL

Body = Mapping[str, Any]
Meaning = tuple[Any, ...]
"""Message first, then words; equal for the same event in two runs."""
Values = tuple[tuple[str, Any], ...]
"""Named figures that may differ a little between runs."""
Content = tuple[Meaning, Values]

LONGEST_BEAT_US = 2_000_000
"""`state_repeat` of the specification, in us."""
JOBS_KEPT = 256
UNKNOWN_UPTIME = -1
SILENCE: Meaning = ("silence",)
MS_TO_DEADLINE = "ms to the deadline"


@dataclass(slots=True)
class NodeMemory:
    """What the reader of events has to remember of a node."""

    jobs: OrderedDict[tuple[int, int], Meaning] = field(default_factory=OrderedDict)
    """Boot and order id to the words of the order."""
    last: dict[str, Any] = field(default_factory=dict)
    boot: int | None = None
    uptime: int = UNKNOWN_UPTIME
    clock: tuple[int, int] | None = None
    """Boot and uptime as it said them last."""
    uptime_us: int = 0
    """When it said its uptime, in us of the recording."""
    counts: dict[str, int] = field(default_factory=dict)
    """Count of its boot, such as of holds, to what it was when it was first heard."""
    ended: deque[tuple[int, int]] = field(default_factory=lambda: deque(maxlen=JOBS_KEPT))
    """Boot and order id of what was answered for good."""
    orders: OrderedDict[tuple[int, int], int] = field(default_factory=OrderedDict)
    """Boot and order id to the event of the order, until it is answered."""
    spoke_us: int | None = None
    spoke_on: dict[str, int] = field(default_factory=dict)
    """When it last spoke on each of its topics that have a heartbeat."""
    rhythm: dict[str, int] = field(default_factory=dict)
    """Its usual heartbeat on each of them, in us."""
    silent: bool = False
    at_work: bool = False
    """Whether it was given a job."""

    def beat(self, message: str, at_us: int) -> None:
        """It has spoken on a topic with a heartbeat."""
        since = at_us - self.spoke_on.get(message, at_us)
        if self.rhythm.get(message, 0) < since <= LONGEST_BEAT_US:
            self.rhythm[message] = since
        self.spoke_on[message] = at_us

    def due_us(self) -> int:
        """When it should have spoken next, by its own rhythm."""
        return min(
            at_us + self.rhythm.get(message, LONGEST_BEAT_US) for message, at_us in self.spoke_on.items()
        )


HOLDS = "holds counted"
UNPHASED = frozenset({"hold", "resume", "claim", "reset-fault", "cancel"})
"""Orders behind which nothing else begins."""
TAKE_OVER = UNPHASED | {"home"}
"""Orders by which a node is taken over."""
ORDER_WORDS = ("box", "from", "from_slot", "to", "to_slot", "train", "found", "place", "target")


def _order(node: NodeMemory, body: Body, at_us: int) -> Content | None:
    act = body["act"]
    if act == "ask":
        return None
    words: Meaning = (act, *(_hashable(body[word]) for word in ORDER_WORDS if word in body))
    if act == "cancel":
        words = ("cancel", *node.jobs.get((body["boot"], body["ref"]), ("?",)))
    if act not in TAKE_OVER and not node.at_work:
        node.at_work = True
        node.counts.pop("holds", None)  # How often it was held until it was taken over is chance.
    if "id" in body:
        key = (body["boot"], body["id"])
        if key in node.jobs:
            return None  # Sent again, as it should be until it is answered.
        node.jobs[key] = words
        if len(node.jobs) > JOBS_KEPT:
            node.jobs.popitem(last=False)
    values = [*_figures(body, "reading")]
    if "deadline" in body and node.uptime >= 0:
        # In the node's uptime, which was said some time ago.
        now = node.uptime + (at_us - node.uptime_us) // 1000
        left = (body["deadline"] - now) % UPTIME_MODULUS
        values.append((MS_TO_DEADLINE, left if left < UPTIME_MODULUS // 2 else left - UPTIME_MODULUS))
    return ("job-order", *words), tuple(values)


def _report(node: NodeMemory, body: Body, at_us: int) -> Content | None:
    act, state = body["act"], body["state"]
    if act == "ask" or (act == "claim" and state == "done"):
        return None
    words = node.jobs.get((body["order_boot"], body["id"]), (act,))
    load = f"load {body['load']}" if "load" in body else None
    content = (state, body.get("step"), body.get("reason"), load)
    key = ("content", body["order_boot"], body["id"])
    if node.last.get("report") == (key, content):
        return None
    order = (body["order_boot"], body["id"])
    if state == "refused" and order in node.ended:
        return None  # Sent once more while its answer was on the way, and too late.
    if state in FINAL:
        node.ended.append(order)
    node.last["report"] = (key, content)
    # Of which order it is stands in the order: one word of that changed is one difference and not one a report.
    told = (act, *(word for word in content if word is not None))
    return ("job-report", *told), (("of", words[1:]),) if len(words) > 1 else ()


def _crane(node: NodeMemory, body: Body, at_us: int) -> Content:
    mode = body["mode"]
    homed = tuple(axis[2] for axis in body["axes"])
    meaning = ("crane-status", mode, body["spreader"], body["load"], body["held"], homed)
    holds = _counts(node, body, "holds")
    if mode != "working":
        return meaning, holds  # Only a job's targets are meant; others are left over from homing or a hand.
    targets = tuple((f"target of axis {number}", axis[1]) for number, axis in enumerate(body["axes"], 1))
    return meaning, targets + holds


def _arrival(node: NodeMemory, body: Body, at_us: int) -> Content:
    meaning = ("train-arrival", body["state"], body["held"], body.get("train"))
    return meaning, _figures(body, "reading", "arm_to_end", "ignored") + _counts(
        node, body, "holds", "arrival"
    )


def _shuttle(node: NodeMemory, body: Body, at_us: int) -> Content:
    meaning = ("shuttle-status", body["state"], body.get("place"), body["load"], body["held"])
    return meaning, _counts(node, body, "holds", "stop")


def _fault(node: NodeMemory, body: Body, at_us: int) -> Content:
    return ("fault", *sorted(body["active"])), ()


def _status(node: NodeMemory, body: Body, at_us: int) -> Content:
    if body["state"] == "off":
        return ("node-status", "off"), ()
    meaning = ("node-status", "on", body["reset"], body["bench"], *body["roles"])
    return meaning, (("boot", body["boot"]), ("link", body["link"]), *_figures(body, "digest", "firmware"))


def _map(node: NodeMemory, body: Body, at_us: int) -> Content:
    return ("yard-map", body["state"], body.get("why"), *body["slots"]), ()


def _figures(body: Body, *names: str) -> Values:
    return tuple((name, body[name]) for name in names if name in body)


def _counts(node: NodeMemory, body: Body, *names: str) -> Values:
    """Counts of a boot, from what they were when it was first heard."""
    found = []
    for name in names:
        if name in body:
            base = node.counts.setdefault(name, body[name])
            found.append((f"{name} counted", (body[name] - base) % COUNT_MODULUS))
    return tuple(found)


def _hashable(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


TELLERS: dict[str, Callable[[NodeMemory, Body, int], Content | None]] = {
    "job-order": _order,
    "job-report": _report,
    "crane-status": _crane,
    "train-arrival": _arrival,
    "shuttle-status": _shuttle,
    "fault": _fault,
    "node-status": _status,
    "yard-map": _map,
}


def is_step(before: Meaning, this: Meaning) -> bool:
    """Whether the time between two events is the node's own: between two words of one job, not a wait."""
    return not _waits(before) and this[0] != "job-order" and before[0] != "job-order"


def is_taking_over(meaning: Meaning) -> bool:
    """Whether this is how a supervisor takes a node over, before the node's first job but homing."""
    match meaning:
        case ("job-order" | "job-report", act, *_):
            return act in ("hold", "resume")
        case ("crane-status" | "train-arrival" | "shuttle-status", *_):
            return True
    return False


def _waits(meaning: Meaning) -> bool:
    """Whether after this event a node waits for others, so that the time says nothing of itself."""
    match meaning:
        case ("job-report", "home", *_):
            return True  # How long homing takes depends on where the crane was left standing.
        case ("job-report", *words):
            return any(word in ("done", "failed", "cancelled", "refused") for word in words)
        case ("crane-status", mode, *_):
            return bool(mode != "working")
        case ("train-arrival", state, *_):
            return bool(state not in ("admitting", "armed", "leaving"))
        case ("shuttle-status", state, *_):
            return bool(state != "moving")
    return True
