"""Small faults planted in a recording, each of a kind that a comparison has to see, where chance puts it."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from protocol.recording import RecordedMessage
from protocol.site import Encoding
from tests.rules_over_messages.bent import SITE, Said, Tale

LATER_MS = 1500


def later(tale: Tale, one: Said, ms: int, *, own: bool = True) -> None:
    """Everything from this message on comes later; with `own` in the node's own time too."""
    for other in tale.said[tale.said.index(one) :]:
        other.at_us += ms * 1000
        if own:
            for name in {"uptime", "deadline"} & other.body.keys():
                other.body[name] += ms


def _orders(tale: Tale, *acts: str) -> list[Said]:
    """The first time that each of these orders was given."""
    seen: set[tuple[str, int]] = set()
    found = []
    for one in tale.said:
        if one.message == "job-order" and one.body["act"] in acts and (one.node, one.body["id"]) not in seen:
            seen.add((one.node, one.body["id"]))
            found.append(one)
    return found


def _again(tale: Tale, one: Said) -> list[Said]:
    """An order and all its repeats."""
    return [other for other in tale.said if other.message == "job-order" and other.node == one.node
            and other.body.get("id") == one.body["id"]]  # fmt: skip


def time_between_jobs(tale: Tale, rng: Random) -> Said:
    """The next order comes later than it did."""
    one = rng.choice([one for one in _orders(tale, "transfer", "run", "depart") if _follows_a_job(tale, one)])
    later(tale, one, LATER_MS)
    return one


def _follows_a_job(tale: Tale, one: Said) -> bool:
    before = [other for other in tale.said[: tale.said.index(one)] if other.at_us > one.at_us - 200_000]
    return any(other.message == "job-report" and other.body["state"] == "done"
               and other.body["act"] in ("transfer", "run", "admit") for other in before)  # fmt: skip


def late_answer(tale: Tale, rng: Random) -> Said:
    """An answer is late in transit: the node's own time says nothing of it."""
    order = rng.choice(_orders(tale, "transfer", "run", "depart", "home", "admit"))
    answer = next(
        one for one in tale.said if one.message == "job-report" and one.body.get("id") == order.body["id"]
        and one.node == order.node
    )  # fmt: skip
    late = answer.at_us + 700_000
    for one in tale.said[tale.said.index(answer) :]:
        if one.node == answer.node and one.message != "job-order":
            one.at_us = max(one.at_us, late)  # What it says later stays behind it.
    tale.said.sort(key=lambda one: one.at_us)
    return order


def ignored_pulses(tale: Tale, rng: Random) -> Said:
    """The berth ignores many more pulses than it did."""
    more = rng.randint(12, 40)
    found = [one for one in tale.where("siding", "train-arrival") if one.body["ignored"] > 0]
    for one in found:
        one.body["ignored"] += more
    return tale.first("siding", "train-arrival", state="admitting")  # The count is that of the arrival.


def arm_to_end(tale: Tale, rng: Random) -> Said:
    """The train takes longer from sensor to sensor."""
    longer = rng.randint(200, 900)
    found = [one for one in tale.where("siding", "train-arrival") if "arm_to_end" in one.body]
    for one in found:
        one.body["arm_to_end"] += longer
    return found[0]


def holds(tale: Tale, rng: Random) -> Said:
    """A node counts one hold more, which nobody saw it obey."""
    node, message = rng.choice(
        [("north", "crane-status"), ("south", "crane-status"), ("ferry", "shuttle-status")]
    )
    states = list(tale.where(node, message))
    begin = rng.randrange(len(states) // 3, len(states) // 2)
    for one in states[begin:]:
        one.body["holds"] += 1
    return states[begin]


def deadline(tale: Tale, rng: Random) -> Said:
    """An order leaves less time to begin."""
    one = rng.choice(_orders(tale, "transfer", "run", "depart"))
    less = rng.randint(6000, 15000)
    for other in _again(tale, one):
        other.body["deadline"] -= less
    return one


def target(tale: Tale, rng: Random) -> Said:
    """An axis is sent elsewhere by a few units."""
    states = [one for one in tale.where("north", "crane-status", mode="working") if _way(one)]
    one = rng.choice(states)
    axis = rng.randrange(3)
    wrong, right = one.body["axes"][axis][1] + rng.choice((-3, 3)), one.body["axes"][axis][1]
    at = tale.said.index(one)
    for other in tale.said[at:]:
        if other.node == "north" and other.message == "crane-status" and other.body["mode"] == "working":
            if other.body["axes"][axis][1] != right:
                break
            other.body["axes"][axis][1] = wrong
    return one


def _way(one: Said) -> bool:
    return any(position != aim for position, aim, _ in one.body["axes"])


def stop_count(tale: Tale, rng: Random) -> Said:
    """The shuttle counts a stop more than it made."""
    states = list(tale.where("ferry", "shuttle-status", state="at-place"))
    begin = rng.randrange(len(states) // 3, len(states) - 3)
    for one in tale.said[tale.said.index(states[begin]) :]:
        if one.node == "ferry" and "stop" in one.body and one.message == "shuttle-status":
            one.body["stop"] += 1
    return states[begin]


def uptime_back(tale: Tale, rng: Random) -> Said:
    """A node's uptime is set back."""
    node = rng.choice(["north", "south", "siding", "ferry"])
    said = [
        one for one in tale.said if one.node == node and "uptime" in one.body and one.body["uptime"] > 20_000
    ]
    begin = rng.choice(said[: len(said) // 2])
    back = rng.randint(3000, 15_000)
    for one in tale.said[tale.said.index(begin) :]:
        if one.node == node:
            for name in {"uptime", "deadline"} & one.body.keys():
                one.body[name] -= back
    return begin


def other_encoding(tale: Tale, rng: Random) -> Said:
    """A node writes otherwise from some message on."""
    node = rng.choice(["north", "south", "siding", "ferry"])
    said = [one for one in tale.said if one.node == node and one.message not in ("job-order", "yard-map")]
    begin = rng.randrange(len(said) // 4, len(said) // 2)
    for one in said[begin:]:
        one.encoding = Encoding.JSON if one.encoding is Encoding.CBOR else Encoding.CBOR
    return said[begin]


def reading_in_order(tale: Tale, rng: Random) -> Said:
    """An order names another reading than the train came to."""
    one = rng.choice([one for one in _orders(tale, "transfer") if "reading" in one.body])
    more = rng.choice((60, 90))
    for other in _again(tale, one):
        other.body["reading"] += more
    return one


def silence(tale: Tale, rng: Random) -> Said:
    """A node says nothing for four seconds while nothing happens to it."""
    node = rng.choice(["north", "south", "siding", "ferry"])
    quiet = [
        one for one in tale.said if one.node == node and one.message == "fault"
        and not any(other.node == node and other.message in ("job-report", "job-order")
                    and -1 < (other.at_us - one.at_us) / 1e6 < 5.5 for other in tale.said)
    ]  # fmt: skip
    one = rng.choice([one for one in quiet[1:] if one.at_us < 0.8 * tale.said[-1].at_us])
    tale.drop(
        lambda other: (
            other.node == node and other.message != "job-order" and 0 <= other.at_us - one.at_us < 4_100_000
        )
    )
    return next(other for other in tale.said if other.at_us >= one.at_us)


def reset_cause(tale: Tale, rng: Random) -> Said:
    """A node says that it was started by something else."""
    node = rng.choice(["north", "south", "siding", "ferry"])
    cause = rng.choice(["watchdog", "brown-out", "external"])
    said = [one for one in tale.where(node, "node-status") if one.body["state"] == "on"]
    for one in said:
        one.body["reset"] = cause
    return said[0]


def changed_word(tale: Tale, rng: Random) -> Said:
    """One order names another box."""
    one = rng.choice(_orders(tale, "transfer"))
    for other in _again(tale, one):
        other.body["box"] = "C-999"
    return one


def unreadable(tale: Tale, rng: Random) -> Said:
    """A message arrives that nobody can read: here one that lacks what it needs."""
    one = rng.choice(tale.said[len(tale.said) // 3 : len(tale.said) // 2])
    at = tale.said.index(one)
    tale.said.insert(at + 1, Garbage(one.at_us + 500, one.node, "fault", "", {}, Encoding.CBOR))
    return one


class Garbage(Said):
    """Bytes that are no message."""

    def item(self) -> RecordedMessage:
        """As it would be recorded."""
        topic = f"yw1/{SITE.name}/{self.node}/{self.message}"
        return RecordedMessage(self.at_us, topic, b"\xa1\x00", 1, retain=False, dup=False)


Plant = Callable[[Tale, Random], Said]
KINDS: dict[str, Plant] = {
    one.__name__.replace("_", " "): one
    for one in (
        time_between_jobs, late_answer, ignored_pulses, arm_to_end, holds, deadline, target, stop_count, uptime_back,
        other_encoding, reading_in_order, silence, reset_cause, changed_word, unreadable,
    )
}  # fmt: skip


def planted(kind: str, tale: Tale, seed: int) -> Said:
    """Plant one; gives the message at which it begins to show."""
    return KINDS[kind](tale, Random(f"{kind} {seed}"))
