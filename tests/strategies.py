"""Valid bodies of every message, drawn by hypothesis from what the schemas say of each field.

Which fields may stand together is told here a second time, by hand: a mistake in a schema's conditions then
shows as a body that is drawn and refused.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from hypothesis import strategies as st

from conformance.fuzz.generate.strategies import anything
from protocol.codec.shape import Shape, shape_of
from protocol.specification import specification

Body = dict[str, Any]


def bodies(message: str, act: str | None = None) -> st.SearchStrategy[Body]:
    """Valid bodies of `message`; of a job-order with `act`, or with any act where none is named."""
    if message == "job-order" and act is None:
        return st.sampled_from(list(specification().acts)).flatmap(lambda act: bodies("job-order", act))
    shape = shape_of(message, act)
    wanted = {name: anything(kind) for name, kind in shape.fields.items()}
    if act is not None:
        wanted["act"] = st.just(act)
    optional = sorted(set(shape.fields) - set(shape.schema["required"]))
    left_out = st.sets(st.sampled_from(optional)) if optional else st.just(set[str]())
    fit = _FIT[message]
    return st.tuples(st.fixed_dictionaries(wanted), left_out).map(
        lambda drawn: _in_order(shape, fit(dict(drawn[0]), drawn[1]), drawn[1])
    )


def _in_order(shape: Shape, body: Body, left_out: set[str]) -> Body:
    return {name: body[name] for name in shape.fields if name in body and name not in left_out}


def messages_and_bodies() -> st.SearchStrategy[tuple[str, Body]]:
    """Any message with a valid body."""
    return st.sampled_from(sorted(specification().messages)).flatmap(
        lambda message: bodies(message).map(lambda body: (message, body))
    )


def _together(left_out: set[str], *names: str) -> None:
    if left_out & set(names):
        left_out.update(names)


def _node_status(body: Body, left_out: set[str]) -> Body:
    if body["state"] == "off":
        return {name: body[name] for name in ("boot", "state", "link")}
    left_out &= {"starts", "memory"}
    return body


def _train_arrival(body: Body, left_out: set[str]) -> Body:
    _together(left_out, "job", "job_state")
    if body["state"] == "at-rest":
        left_out -= {"reading", "arm_to_end"}
    else:
        left_out.add("reading")
    return body


def _shuttle_status(body: Body, left_out: set[str]) -> Body:
    _together(left_out, "job", "job_state")
    if body["state"] == "at-place":
        left_out.discard("place")
    else:
        left_out.add("place")
    return body


def _crane_status(body: Body, left_out: set[str]) -> Body:
    _together(left_out, "job", "job_state")
    return body


def _fault(body: Body, left_out: set[str]) -> Body:
    _together(left_out, "changed", "level")
    if "changed" in left_out:
        left_out.add("part")
    return body


def _job_report(body: Body, left_out: set[str]) -> Body:
    if body["act"] == "hold":
        body["act"] = "ask"
    if body["act"] == "ask":
        body["state"] = "done"
        left_out |= {"id", "order_boot"}
        left_out.discard("token")
    else:
        left_out -= {"id", "order_boot"}
        left_out.add("token")
    if body["act"] != "claim":
        left_out.add("claimant")
    if body["state"] == "refused":
        left_out.discard("reason")
    return body


def _yard_map(body: Body, left_out: set[str]) -> Body:
    if body["state"] == "blocked":
        left_out.discard("why")
    return body


def _job_order(body: Body, left_out: set[str]) -> Body:
    _together(left_out, "from", "from_slot")
    _together(left_out, "reading", "arrival", "berth_boot")
    _together(left_out, "stop", "shuttle_boot")
    return body


_FIT: dict[str, Callable[[Body, set[str]], Body]] = {
    "node-status": _node_status,
    "train-arrival": _train_arrival,
    "shuttle-status": _shuttle_status,
    "crane-status": _crane_status,
    "fault": _fault,
    "job-report": _job_report,
    "yard-map": _yard_map,
    "job-order": _job_order,
}
