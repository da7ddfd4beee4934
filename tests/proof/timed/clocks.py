"""Time that counts: how old everything is stays part of the state, as far as anybody asks.

The other explorations let any time pass at any moment. Here it passes in steps, for node and supervisor alike, and an
age is kept to the millisecond up to the longest bound that it is ever compared with: beyond that all ages are one.

Each step ends at a multiple of `GRAIN_MS` or 1 ms behind one, so every difference between two events is a multiple of
it, 1 ms less or 1 ms more. Clocks here are whole milliseconds, and all that a participant asks of one is whether a
difference lies below, at or above a bound. Where the bounds are multiples of the grain, three differences stand for
all of those between two multiples: the regions of R. Alur and D. L. Dill, *A Theory of Timed Automata*, 1994, but
for the order of fractions of several clocks, of which nobody asks. A bound that is no multiple acts as the next one:
a heartbeat that is due after 1,900 ms leaves at 2,000, as from a board whose main loop comes 100 ms late.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from protocol.counting import UPTIME_MODULUS, uptime_difference
from reference_node.controller.heartbeat import Heartbeat
from reference_node.snapshot.canonical import Catalogue, Plan
from reference_node.snapshot.how import BASE_MS, KEEP, Since

GRAIN_MS = 500
OLD_MS = 12_000
"""An uptime so long ago is older than whatever still counts or may come: `status_repeat` and the longest way."""


@dataclass(frozen=True, slots=True)
class UpTo:
    """When something was, to the millisecond; from `most_ms` on how long ago does not matter."""

    most_ms: int
    per_ms: int = 1

    def rebased(self, value: Any, now_ms: int) -> Any:
        """The value at `BASE_MS` as long ago as `value` is at `now_ms`."""
        if value is None:
            return None
        age = min(now_ms * self.per_ms - value, self.most_ms * self.per_ms)
        return BASE_MS * self.per_ms - age


def _beats(heart: Heartbeat, now_ms: int) -> None:
    heart._sent_ms = {message: sent + BASE_MS - now_ms for message, sent in heart._sent_ms.items()}


def with_ages(catalogue: Catalogue) -> Catalogue:
    """The same catalogue, but that of each time it is kept how long ago it was."""
    plans: dict[type, Plan] = {}
    for kind, plan in catalogue.plans.items():
        fields: dict[str, Any] = {
            name: UpTo(max(how.limits_ms), how.per_ms) if isinstance(how, Since) and how.limits_ms else how
            for name, how in plan.fields.items()
        }
        plans[kind] = replace(plan, fields=fields)
    plans[Heartbeat] = Plan({"_sent_ms": KEEP}, _beats)
    return catalogue.with_plans(plans)


def earlier(uptime: int, by_ms: int) -> int:
    """A remembered uptime, reckoned from a now that is `by_ms` later; the node's own is always 0."""
    age = uptime_difference(by_ms, uptime)
    return -min(age, OLD_MS) % UPTIME_MODULUS


def deadline_left(at: int, by_ms: int) -> int:
    """A deadline, reckoned from a now that is `by_ms` later; one that has passed has passed."""
    left = uptime_difference(at, by_ms)
    return max(left, -1) % UPTIME_MODULUS


def pass_at_supervisor(session: Any, by_ms: int) -> None:
    """Time passes for all that a supervisor remembers of a node's uptime."""
    said = session._said
    said.newest = {
        name: {**body, "uptime": earlier(int(body["uptime"]), by_ms)} for name, body in said.newest.items()
    }
    said.uptime, said._settled_from = earlier(said.uptime, by_ms), earlier(said._settled_from, by_ms)
    session.first_uptime = 0
    for sent in (*session.open.values(), *session._giving_up):
        if "deadline" in sent.body:
            sent.body = {**sent.body, "deadline": deadline_left(int(sent.body["deadline"]), by_ms)}


def pass_at_node(node: Any, by_ms: int) -> None:
    """Time passes for the deadline of a node's job; its uptime is 0 again."""
    if node.job is not None and "deadline" in node.job.order:
        node.job.order["deadline"] = deadline_left(int(node.job.order["deadline"]), by_ms)
    node._uptime.count = 0
