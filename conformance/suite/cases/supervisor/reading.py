"""What a supervisor makes of payloads that it cannot read, or not wholly."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from conformance.oracle.link_log import Message
from conformance.peers.node import SimulatedNode
from conformance.peers.payloads import UNREADABLE, newer
from conformance.peers.yard import Incident
from conformance.suite.cases.supervisor.start import still_repeated
from conformance.suite.cases.supervisor.work import none_beside
from conformance.suite.supervisor_fixture import OWNED_MS, WORK_MS, SupervisorFixture, supervised
from protocol.participant import Publication

JOB_MS = 9_000


@supervised("ENC-09", after=("supervisor-works",))
def supervisor_unknown_fields(fixture: SupervisorFixture) -> None:
    """A supervisor ignores fields that it does not know.

    Every message of a crane carries a field of a later minor version. It is owned and ordered all the same.
    """
    name = fixture.route.first

    def prepare(node: SimulatedNode) -> None:
        node.disturbances.writes = newer

    fixture.begin({name: prepare})
    for act, within_ms in (("claim", OWNED_MS), ("transfer", WORK_MS)):
        order = fixture.next_order(name, act, within_ms, fixture.runs[-1].after)
        fixture.check(
            order is not None, "ENC-09", f"a {act} to {name}", "none: it does not read its messages"
        )


@supervised("ENC-12", after=("supervisor-works",))
def supervisor_unreadable(fixture: SupervisorFixture) -> None:
    """A report that is truncated, has bytes behind its end or is nested too deep is none.

    While a crane works, such reports say that the transfer is done. The order is still repeated after each, and
    nothing starts that waits for its end.
    """
    name = fixture.route.first

    def prepare(node: SimulatedNode) -> None:
        node.disturbances.job_ms = JOB_MS

    fixture.begin({name: prepare})
    order = fixture.await_job(name, "transfer")
    done = {key: order.body[key] for key in ("id", "act")}
    done |= {"order_boot": order.body["boot"], "state": "done", "load": "none"}
    for what, spoil in UNREADABLE.items():
        fixture.let_hear(name, _saying(done, spoil), _is_unreadable, f"a report that is {what}")
        still_repeated(fixture, name, order, "ENC-12")
    none_beside(fixture, name, order, "ENC-12")


def _is_unreadable(message: Message) -> bool:
    return message.name == "job-report" and not message.body


def _saying(body: dict[str, object], spoil: Callable[[bytes], bytes]) -> Incident:
    def say(node: SimulatedNode, now_ms: int) -> Sequence[Publication]:
        said = node.misreport(now_ms, body)
        return [replace(one, payload=spoil(one.payload)) for one in said]

    return say
