"""Breaches of the encodings, and of what is made of an order that cannot be read."""

from __future__ import annotations

import cbor2

from protocol.codec import encode
from protocol.codec.shape import shape_for
from protocol.guards import Order
from protocol.participant import Delivery
from protocol.site import Encoding
from protocol.specification import specification
from protocol.validation import read_message
from tests.faulty_nodes.matrix.injection import Injection
from tests.faulty_nodes.matrix.registry import breach
from tests.faulty_nodes.matrix.said import Said


@breach("tail-behind-payload")
def tail_behind_payload(n: Injection) -> None:
    def alter(said: Said) -> None:
        said.tail = b"\0" if said.cbor else b"\n"

    n.alters("state", alter)


@breach("cbor-keys-out-of-order")
def cbor_keys_out_of_order(n: Injection) -> None:
    def alter(said: Said) -> None:
        if said.cbor:
            items = list(cbor2.loads(said.plain).items())
            said.raw = cbor2.dumps(dict([items[1], items[0], *items[2:]]))

    n.alters("state", alter)


@breach("cbor-long-integer")
def cbor_long_integer(n: Injection) -> None:
    def alter(said: Said) -> None:
        if said.cbor:
            numbers = cbor2.loads(said.plain)
            parts = [bytes([0xA0 + len(numbers)]) if len(numbers) < 24 else bytes([0xB8, len(numbers)])]
            done = False
            for key, value in numbers.items():
                parts.append(cbor2.dumps(key))
                small = not done and type(value) is int and 0 <= value < 24
                parts.append(bytes([0x18, value]) if small else cbor2.dumps(value))
                done = done or small
            said.raw = b"".join(parts)

    n.alters("job-report", alter)


@breach("json-white-space")
def json_white_space(n: Injection) -> None:
    def alter(said: Said) -> None:
        if not said.cbor:
            said.raw = said.plain.replace(b'":', b'": ')

    n.alters("job-report", alter)


@breach("uptime-as-float")
def uptime_as_float(n: Injection) -> None:
    def alter(said: Said) -> None:
        said.foreign["uptime"] = float(said.body["uptime"])

    n.alters("state", alter)


@breach("report-without-act")
def report_without_act(n: Injection) -> None:
    def alter(said: Said) -> None:
        said.body.pop("act", None)

    n.alters("job-report", alter)


@breach("field-of-its-own")
def field_of_its_own(n: Injection) -> None:
    def alter(said: Said) -> None:
        said.foreign["note"] = 1

    n.alters("state", alter)


@breach("unknown-field-unread")
def unknown_field_unread(n: Injection) -> None:
    def other(real: object, delivery: Delivery) -> Order | None:
        reading = read_message("job-order", delivery.payload, closed=True)
        order: Order | None = real(delivery)  # type: ignore[operator]
        if order is None or not reading.body:
            return order
        known = shape_for("job-order", order["act"])
        whole = cbor2.loads(delivery.payload) if delivery.payload[:1] != b"{" else None
        strange = (
            any(key not in known.keys.values() for key in whole)
            if whole is not None
            else delivery.payload != encode("job-order", order, Encoding.JSON)
        )
        return None if strange else order

    n.wrap(n.node.inbox, "read", other)


@breach("bad-message-reported")
def bad_message_reported(n: Injection) -> None:
    def came() -> None:
        real()
        if n.on():
            body = {"mark": n.node.mark, "id": 1, "state": "refused", "act": "ask", "order_boot": n.node.boot}
            n.says_more("job-report", body)

    real = n.node.bad_messages.came
    n.node.bad_messages.came = came  # type: ignore[method-assign]


@breach("bad-message-silent")
def bad_message_silent(n: Injection) -> None:
    n.wrap(n.node.bad_messages, "came", lambda real: None)


@breach("bad-message-raises-mark")
def bad_message_raises_mark(n: Injection) -> None:
    def came(real: object) -> None:
        real()  # type: ignore[operator]
        n.node.raise_mark(n.node.mark + 1)

    n.wrap(n.node.bad_messages, "came", came)


@breach("bad-message-faults-too-often")
def bad_message_faults_too_often(n: Injection) -> None:
    least = n.beyond(specification().timing["bad_message_gap"].least or 0, below=True)
    bad = n.node.bad_messages

    def take(now_ms: int) -> bool:
        due = None if not bad._waits else 0 if bad._last_ms is None else bad._last_ms + least
        if due is None or now_ms < due:
            return False
        bad._waits, bad._last_ms = False, now_ms
        return True

    bad.take = take  # type: ignore[method-assign]
    kind = type(bad)
    n.node.bad_messages.__class__ = type(
        "Hasty",
        (kind,),
        {
            "due_ms": property(
                lambda b: None if not b._waits else 0 if b._last_ms is None else b._last_ms + least
            )
        },
    )


@breach("tail-accepted")
def tail_accepted(n: Injection) -> None:
    def other(real: object, delivery: Delivery) -> Order | None:
        order: Order | None = real(delivery)  # type: ignore[operator]
        if order is not None:
            return order
        payload = delivery.payload
        for cut in range(1, min(9, len(payload))):
            reading = read_message("job-order", payload[:-cut], closed=False)
            if reading.readable and reading.body is not None:
                return real(Delivery(delivery.topic, payload[:-cut], delivery.qos))  # type: ignore[operator,no-any-return]
        return None

    n.wrap(n.node.inbox, "read", other)
