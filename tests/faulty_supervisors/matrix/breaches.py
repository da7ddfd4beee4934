"""What each breach of a supervisor bends."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import cbor2

from protocol.codec import encode
from protocol.counting import UPTIME_MODULUS, next_count
from protocol.participant import Delivery, Publication
from protocol.site import Encoding
from protocol.specification import specification
from protocol.topics import Topic
from reference_node.supervisor.observe.session import Session
from reference_node.supervisor.send.holds import is_held, state_word
from tests.faulty_nodes.matrix.said import Said
from tests.faulty_supervisors.matrix.injection import Body, Injected

BREACHES: dict[str, Callable[[Injected], None]] = {}
JOBS = specification().jobs
REPEAT = specification().timing["order_repeat"]


def breach(name: str) -> Callable[[Callable[[Injected], None]], Callable[[Injected], None]]:
    """Enter what is planted for a breach."""

    def enter(plant: Callable[[Injected], None]) -> Callable[[Injected], None]:
        assert name not in BREACHES, name
        BREACHES[name] = plant
        return plant

    return enter


# ---------------------------------------------------------------- how an order is written


def written(name: str) -> Callable[[Callable[[Said], None]], None]:
    """A breach that alters an order as it is written."""

    def enter(change: Callable[[Said], None]) -> None:
        breach(name)(lambda s: s.alters(change))

    return enter


@written("retained-order")
def _retained(said: Said) -> None:
    said.retain = True


@written("order-at-qos-0")
def _at_qos_0(said: Said) -> None:
    said.qos = 0


@written("tail-behind-order")
def _tail(said: Said) -> None:
    said.tail = b"\0" if said.cbor else b"\n"


@written("cbor-keys-out-of-order")
def _keys(said: Said) -> None:
    if said.cbor:
        items = list(cbor2.loads(said.plain).items())
        said.raw = cbor2.dumps(dict([*items[1:2], items[0], *items[2:]]))


@written("json-white-space")
def _white(said: Said) -> None:
    if not said.cbor:
        said.raw = said.plain.replace(b'":', b'": ')


@written("field-of-its-own")
def _field(said: Said) -> None:
    said.foreign["note"] = 1


@written("deadline-as-float")
def _float(said: Said) -> None:
    if "deadline" in said.body:
        said.foreign["deadline"] = float(said.body["deadline"])


# ---------------------------------------------------------------- asks and claims


@breach("orders-unasked")
def orders_unasked(s: Injected) -> None:
    def hear_state(session: Session, real: Any, message: str, body: Body, now_ms: int) -> None:
        real(message, body, now_ms)
        if session.belief == "asked":
            session._said.since_ask = {*specification().topics}
            session._hear_answer({"token": session._token, "mark": body.get("mark", 0)}, now_ms)

    s.each("_hear_state", hear_state)


@breach("orders-unclaimed")
def orders_unclaimed(s: Injected) -> None:
    def begin(session: Session, real: Any) -> None:
        real()
        id_ = session._pending_claim
        report = {"id": id_, "mark": id_, "order_boot": session.boot, "claimant": session._claimant}
        session._hear_claim(report)

    s.each("_begin_claim", begin)


def _guards(s: Injected, name: str, other: Callable[[Any], bool]) -> None:
    for session in s.sessions.values():
        real: Any = session.machine._guards[name]

        def either(facts: Any, _of: Session = session, _real: Any = real) -> bool:
            return other(facts) if s.on(_of.name) else bool(_real(facts))

        session.machine._guards = {**session.machine._guards, name: either}


@breach("takes-mark-of-other")
def takes_mark_of_other(s: Injected) -> None:
    _guards(s, "mark_is_claim", lambda facts: True)
    s.each("_hear_mark", lambda session, real, mark: None)
    s.each("word", lambda session, real, message: session.words.get(message))


@breach("moves-before-all-are-owned")
def moves_before_all_are_owned(s: Injected) -> None:
    s.rule("not_owned", lambda node: "" if s.sessions[node].owned else f"{node} is not owned")
    settle = s._settle

    def early() -> None:
        settle()
        some = [one for one in s.sessions.values() if one.has_reported()]
        if not s.was_owned and len(some) >= 2 and s.on():
            s.was_owned = True
            for place, row in s._contents.items():
                s.inventory.tell(place, row)

    s._settle = early  # type: ignore[method-assign]


@breach("claim-id-off")
def claim_id_off(s: Injected) -> None:
    def begin(session: Session, real: Any) -> None:
        real()
        session._pending_claim += 1

    s.each("_begin_claim", begin)


@breach("claim-id-skips")
def claim_id_skips(s: Injected) -> None:
    def begin(session: Session, real: Any) -> None:
        real()
        session._pending_claim += 1 << 20
        session._highest = max(session._highest, session._pending_claim)

    s.each("_begin_claim", begin)


@breach("ids-go-down")
def ids_go_down(s: Injected) -> None:
    def next_id(session: Session, real: Any) -> int:
        if session.history_ids:  # type: ignore[attr-defined]
            return int(session.history_ids[-1])  # type: ignore[attr-defined]
        id_ = int(real())
        session.history_ids.append(id_)  # type: ignore[attr-defined]
        return id_

    for session in s.sessions.values():
        session.history_ids = []  # type: ignore[attr-defined]
    s.each("_next_id", next_id)


@breach("repeats-too-early")
def repeats_too_early(s: Injected) -> None:
    wait = (REPEAT.least or 0) * (100 - s.percent) // 100 - 10
    s.each("_is_due", lambda session, real, last, now: last is None or now - last >= wait)
    s.wrap(s, "next_tick", lambda real, now: now + 10)


@breach("repeats-too-late")
def repeats_too_late(s: Injected) -> None:
    wait = (REPEAT.most or 0) * (100 + s.percent) // 100 + 10
    s.each("_is_due", lambda session, real, last, now: last is None or now - last >= wait)


@breach("repeats-changed")
def repeats_changed(s: Injected) -> None:
    def change(session: Session, body: Body) -> None:
        if "deadline" in body and s.been.sent[session.name, body["id"]] > 1:
            body["deadline"] = (body["deadline"] + 500) % UPTIME_MODULUS

    s.orders(change)


@breach("repeat-gives-up")
def repeat_gives_up(s: Injected) -> None:
    s.orders(lambda session, body: "id" not in body or s.been.sent[session.name, body["id"]] < 2)


@breach("token-again")
def token_again(s: Injected) -> None:
    tokens: dict[str, int] = {}

    def change(session: Session, body: Body) -> None:
        if body["act"] == "ask":
            body["token"] = session._token = tokens.setdefault(session.name, body["token"])

    s.orders(change)


@breach("tokens-count")
def tokens_count(s: Injected) -> None:
    last = [1000]

    def change(session: Session, body: Body) -> None:
        if body["act"] == "ask":
            last[0] += 1
            body["token"] = session._token = last[0]

    s.orders(change)


@breach("goes-on-when-replaced")
def goes_on_when_replaced(s: Injected) -> None:
    s.each("_hear_mark", lambda session, real, mark: None)


# ---------------------------------------------------------------- what is believed


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


@breach("repeats-when-replaced")
def repeats_when_replaced(s: Injected) -> None:
    def out(topic: str, payload: bytes) -> Publication:
        return Publication(topic, payload, 1, False)

    last: dict[str, Body] = {}
    due_ms = [0]
    work = s._work

    def go_on(now_ms: int) -> list[Publication]:
        for session in s.sessions.values():
            if session.job is not None:
                last[session.name] = dict(session.job.body)
        more: list[Publication] = []
        if s.replaced and now_ms >= due_ms[0]:
            due_ms[0] = now_ms + 1000
            for name, body in last.items():
                if s.on(name):
                    encoding = Encoding.JSON if s.sessions[name].node.reads == "json" else Encoding.CBOR
                    topic = str(Topic(s.site.name, name, "job-order"))
                    more.append(out(topic, encode("job-order", body, encoding)))
        return [*work(now_ms), *more]

    s._work = go_on  # type: ignore[method-assign]


@breach("claim-without-token")
def claim_without_token(s: Injected) -> None:
    def change(session: Session, body: Body) -> None:
        if body["act"] == "claim":
            body.pop("token", None)

    s.orders(change)
    _guards(s, "claimant_is_other", lambda facts: False)


@breach("claim-token-changes")
def claim_token_changes(s: Injected) -> None:
    def change(session: Session, body: Body) -> None:
        if body["act"] == "claim" and s.been.sent[session.name, body["id"]] > 1:
            body["token"] = session._claimant = (body["token"] + 1) % (1 << 32)

    s.orders(change)


@breach("claimant-ignored")
def claimant_ignored(s: Injected) -> None:
    _guards(s, "claimant_is_other", lambda facts: False)


@breach("says-more-to-all")
def says_more_to_all(s: Injected) -> None:
    def change(session: Session, body: Body) -> None:
        if body["act"] == "ask":
            topic = str(Topic(s.site.name, specification().everyone, "job-order"))
            payload = encode("job-order", body, Encoding.JSON)
            s.extra.append(Publication(topic, payload, 1, False))

    s.orders(change)
