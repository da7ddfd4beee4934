"""What is believed of the yard, and what is ordered on it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from protocol.counting import UPTIME_MODULUS, next_count
from protocol.participant import Delivery, Publication
from protocol.specification import specification
from reference_node.supervisor.observe.session import Session
from reference_node.supervisor.send.holds import is_held, state_word
from tests.faulty_supervisors.matrix.injection import Body, Injected
from tests.faulty_supervisors.matrix.registry import breach


@breach("sends-lost-job-again")
def sends_lost_job_again(s: Injected) -> None:
    def new_boot(session: Session, real: Any, boot: int) -> None:
        lost = session.job.body if session.job is not None else None
        real(boot)
        if lost is not None:
            again[session.name] = lost

    again: dict[str, Mapping[str, Any]] = {}

    def change(session: Session, body: Body) -> Any:
        lost = again.get(session.name)
        if lost is None or not session.owned:
            return None
        del again[session.name]
        return [body, {**lost, "boot": session.boot, "id": session._next_id()}]

    s.each("_new_boot", new_boot)
    s.orders(change)


@breach("hint-ends-job")
def hint_ends_job(s: Injected) -> None:
    s.hears(lambda node, body, delivery: Delivery(delivery.topic, delivery.payload, delivery.qos))


@breach("off-ends-node")
def off_ends_node(s: Injected) -> None:
    def believes(session: Session, real: Any, message: str, body: Body, retain: bool) -> bool:
        off = message == "node-status" and body.get("state") == "off" and not retain
        if off and session.job is not None:
            session.job.fire("failed")
            session._end(session.job)
        return bool(real(message, body, retain))

    s.each("believes", believes)


@breach("moves-train-under-crane")
def moves_train_under_crane(s: Injected) -> None:
    s.rule("machines_beside", lambda node, act: "")


def _transfers(s: Injected, name: str, change: Callable[[int], int]) -> None:
    def bend(session: Session, body: Body) -> None:
        if body["act"] == "transfer" and name in body:
            body[name] = change(body[name])

    s.orders(bend)


@breach("transfer-without-reading")
def transfer_without_reading(s: Injected) -> None:
    _transfers(s, "reading", lambda reading: reading + 1)


@breach("arrival-of-before")
def arrival_of_before(s: Injected) -> None:
    _transfers(s, "arrival", lambda arrival: max(0, arrival - 1))


@breach("stop-of-before")
def stop_of_before(s: Injected) -> None:
    _transfers(s, "stop", lambda stop: max(0, stop - 1))


@breach("berth-boot-wrong")
def berth_boot_wrong(s: Injected) -> None:
    _transfers(s, "berth_boot", next_count)


@breach("lifts-hold-of-other")
def lifts_hold_of_other(s: Injected) -> None:
    work = s._work

    def lift(now_ms: int) -> list[Publication]:
        for session in s.sessions.values():
            strange = session.owned and session.name not in s.holds and is_held(session)
            if (
                strange
                and not any(one.act == "resume" for one in session.open.values())
                and s.on(session.name)
            ):
                session.order("resume", now_ms, holds=state_word(session, "holds"))
        return work(now_ms)

    s._work = lift  # type: ignore[method-assign]


@breach("forgets-own-hold")
def forgets_own_hold(s: Injected) -> None:
    holds = s.holds
    real = holds.new_boot

    def new_boot(node: str) -> None:
        if s.on(node):
            holds.standing.pop(node, None)
        else:
            real(node)

    holds.new_boot = new_boot  # type: ignore[method-assign]


@breach("runs-with-bench")
def runs_with_bench(s: Injected) -> None:
    s.rule("bench", lambda: "")


@breach("believes-old-report")
def believes_old_report(s: Injected) -> None:
    def hear(session: Session, real: Any, report: Body, now_ms: int) -> None:
        if (
            session.job is not None
            and report.get("act") == session.job.act
            and report.get("id") != session.job.id
        ):
            report = {**report, "id": session.job.id, "order_boot": session.job.boot}
        real(report, now_ms)

    s.each("_hear_report", hear)


@breach("report-of-other-boot")
def report_of_other_boot(s: Injected) -> None:
    s.each("is_for", lambda session, real, sent, report: bool(report["act"] == sent.act))


@breach("deadline-beyond")
def deadline_beyond(s: Injected) -> None:
    most = specification().timing["order_lead"].most or 0
    lead = most * (100 + s.percent) // 100 + 10

    def body_of(session: Session, real: Any, act: str, id_: int, fields: Any) -> Body:
        body: Body = real(act, id_, fields)
        if "deadline" in body:
            body["deadline"] = (session.uptime + lead) % UPTIME_MODULUS
        return body

    s.each("_body", body_of)


@breach("ignores-digest")
def ignores_digest(s: Injected) -> None:
    s.rule("other_tables", lambda node: "")


@breach("ignores-silence")
def ignores_silence(s: Injected) -> None:
    s.rule("silent", lambda node: "")
    s.each("mind_silence", lambda session, real, now_ms: None)


@breach("no-yard-map")
def no_yard_map(s: Injected) -> None:
    s.wrap(s.yard_maps, "due", lambda real, asked, now_ms: [])


@breach("orders-after-silence")
def orders_after_silence(s: Injected) -> None:
    s.each("mind_silence", lambda session, real, now_ms: None)


@breach("believes-new-boot")
def believes_new_boot(s: Injected) -> None:
    def adopts(session: Session, real: Any, boot: int, message: str, body: Body) -> bool:
        session._new_boot(boot)
        return True

    s.each("adopts", adopts)
