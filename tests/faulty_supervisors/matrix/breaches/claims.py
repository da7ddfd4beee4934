"""Asks, claims, tokens, and who has replaced whom."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from protocol.codec import encode
from protocol.participant import Publication
from protocol.site import Encoding
from protocol.specification import specification
from protocol.topics import Topic
from reference_node.supervisor.observe.session import Session
from tests.faulty_supervisors.matrix.injection import Body, Injected
from tests.faulty_supervisors.matrix.registry import breach


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
