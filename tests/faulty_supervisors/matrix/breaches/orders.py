"""How an order is written, numbered and repeated."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cbor2

from protocol.codec import encode
from protocol.counting import UPTIME_MODULUS
from protocol.participant import Publication
from protocol.site import Encoding
from protocol.specification import specification
from protocol.topics import Topic
from reference_node.supervisor.observe.session import Session
from tests.faulty_nodes.matrix.said import Said
from tests.faulty_supervisors.matrix.injection import Body, Injected
from tests.faulty_supervisors.matrix.registry import REPEAT, breach


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


@breach("says-more-to-all")
def says_more_to_all(s: Injected) -> None:
    def change(session: Session, body: Body) -> None:
        if body["act"] == "ask":
            topic = str(Topic(s.site.name, specification().everyone, "job-order"))
            payload = encode("job-order", body, Encoding.JSON)
            s.extra.append(Publication(topic, payload, 1, False))

    s.orders(change)
