"""Situations in what a node answers to an order."""

from __future__ import annotations

import re
from collections.abc import Callable

from conformance.oracle.link_log import Message
from conformance.tester.hints.on_the_link import for_all
from conformance.tester.hints.scene import Scene
from protocol.specification import OPEN, specification

AS_A_JOB = ("busy", "held", "late", "state", "mode", "place", "unsupported")
"""Why a job may be refused, and a claim never."""
MARK = re.compile(r"mark (\d+)")


def _unsupported(scene: Scene) -> bool:
    """An order was refused as one that no role of the node has, and that is what is wrong with it."""
    told = scene.shown is not None and scene.shown.body.get("reason") == "unsupported"
    return (
        told
        and "unsupported" not in scene.expected
        and re.search("refused|unsupported", scene.seen) is not None
    )


def _misdirected(scene: Scene) -> bool:
    return "but one for" in scene.seen


def _order_is_job(scene: Scene) -> bool:
    """The order is one for a job, and the node has that job."""
    mine = scene.order is not None and scene.state.get("job") == scene.order.body.get("id")
    return scene.act in specification().jobs and mine and not _misdirected(scene)


def _while_job_open(scene: Scene) -> bool:
    return scene.job_open and not _misdirected(scene)


def _other_than_asks(scene: Scene) -> bool:
    """Beside the asks other orders had come on that connection just before."""
    acts = [m.body.get("act") for m in scene.orders()][:2]
    return len(acts) == 2 and "ask" in acts and acts != ["ask", "ask"]


def _report_first(scene: Scene) -> bool:
    """The report came, and state messages had not come before it."""
    return not scene.nothing_came and scene.seen.startswith("no ")


def _mark_differs(scene: Scene) -> bool:
    if "order for another boot came last" in scene.seen:
        return True
    return scene.expected.startswith("mark ") and scene.seen.startswith(("mark ", *"0123456789"))


def _other_boot_taken(scene: Scene) -> bool:
    """An order for another boot is answered as one for this boot would be."""
    told = scene.shown.body if scene.shown is not None else {}
    return not _mark_differs(scene) and told.get("reason") != "wrong-boot" and not scene.nothing_came


def _sent_twice(scene: Scene) -> bool:
    """The newest order that is no fence carries an id that came before."""
    if scene.order is None or "id" not in scene.order.body:
        return False
    ids = [m.body.get("id") for m in scene.orders() if m.body.get("boot") == scene.order.body.get("boot")]
    return ids.count(scene.order.body["id"]) > 1


def _repeat_not_known(scene: Scene) -> bool:
    """A repeat is refused, or begins the job again."""
    return (
        _sent_twice(scene)
        and re.search(r"\b(refused|accepted|running|switched on|starts)\b", scene.seen) is not None
    )


def _repeated_job(scene: Scene) -> bool:
    """The job at hand was ordered more than once."""
    shown = scene.shown.body if scene.shown is not None else {}
    job = shown.get("id", shown.get("job", scene.state.get("job")))
    acts = specification().jobs
    return (
        job is not None
        and sum(m.body.get("id") == job and m.body["act"] in acts for m in scene.orders() if m.body) > 1
    )


def _mark_before(scene: Scene, order: Message) -> int | None:
    return next((int(m.body["mark"]) for m in scene.said(before=order.number) if "mark" in m.body), None)


def _below_mark(scene: Scene) -> bool:
    """An id below the mark was taken, and not only the mark itself."""
    order = scene.order
    if order is None or "id" not in order.body:
        return False
    mark = _mark_before(scene, order)
    return mark is not None and order.body["id"] < mark


def _refused_not_raised(scene: Scene) -> bool:
    """The newest order was refused, and the mark lies below its id."""
    order = scene.order
    if order is None or "id" not in order.body or not (due := MARK.search(scene.expected)):
        return False
    refused = any(told.get("state") == "refused" for told in scene.reports(order.body["id"]))
    marks = (int(m.body["mark"]) for m in scene.said() if "mark" in m.body)
    return refused and int(due[1]) == order.body["id"] > next(marks, 0)


def _refused_is_last(scene: Scene) -> bool:
    """The node names a job that it has refused, or refuses as one that it has not."""
    job = scene.state.get("job")
    if job is not None and any(told.get("state") == "refused" for told in scene.reports(job)):
        return True
    told = scene.shown.body if scene.shown is not None else {}
    return told.get("state") == "refused" and _sent_twice(scene)


def _late(scene: Scene) -> bool:
    return (
        scene.shown is not None and scene.shown.body.get("reason") == "late"
    ) or "refused as late" in scene.seen


def _second_taken(scene: Scene) -> bool:
    """A second job was begun beside the one that is open."""
    told = scene.shown.body if scene.shown is not None else {}
    order = scene.order.body if scene.order is not None else {}
    return told.get("state") in OPEN and told.get("id") == order.get("id") is not None


def _own_id(scene: Scene) -> bool:
    """A report on the newest cancel carries the cancel's own id, or nothing came under the one that it names."""
    cancel = next((m.body for m in scene.orders() if m.body.get("act") == "cancel"), None)
    if cancel is None or cancel["id"] == cancel["ref"]:
        return False
    return any(told.get("act") == "cancel" for told in scene.reports(cancel["id"]))


def _claim_as_a_job(scene: Scene) -> bool:
    told = scene.shown.body if scene.shown is not None else {}
    return told.get("act") == "claim" and (told["state"] in OPEN or told.get("reason") in AS_A_JOB)


def _mark_went_down(scene: Scene) -> bool:
    """The mark was lowered to the id of a claim."""
    order = scene.order
    if order is None or scene.act != "claim":
        return False
    before, now = (
        _mark_before(scene, order),
        next((m.body["mark"] for m in scene.said() if "mark" in m.body), None),
    )
    return None not in (before, now) and now == order.body["id"] != before


def _job_forgotten(scene: Scene) -> bool:
    """It tells of no job any more, and had one in this boot."""
    state = scene.state
    had = any(m.body.get("job") is not None and m.body["boot"] == state.get("boot") for m in scene.carriers())
    return bool(state) and state.get("job") is None and had


def _mark_over_reset(scene: Scene) -> bool:
    return scene.expected.startswith("mark 0 after") or (
        scene.order is None and "by what came it is 0" in scene.seen
    )


# ---- holds


def _hold_missed(scene: Scene) -> Message | None:
    """The newest hold, where the node is not held behind it and held by none like it before."""
    hold = next((m for m in scene.orders() if m.body.get("act") == "hold"), None)
    if hold is None or scene.act != "hold" or scene.state.get("held"):
        return None
    obeyed = False
    newest: Message | None = None
    for message in scene.log.messages:
        if message.number >= hold.number:
            break
        if not message.from_node and message.body.get("act") == "hold":
            newest = message
        elif message.from_node and message.body.get("held") and newest is not None:
            obeyed = obeyed or for_all(newest) == for_all(hold)
            newest = None
    return None if obeyed else hold


def _hold_for_all_missed(scene: Scene) -> bool:
    hold = _hold_missed(scene)
    return hold is not None and for_all(hold)


def _own_hold_missed(scene: Scene) -> bool:
    hold = _hold_missed(scene)
    return hold is not None and not for_all(hold)


OF_ORDERS: dict[str, Callable[[Scene], bool]] = {
    "unsupported": _unsupported,
    "misdirected": _misdirected,
    "order-is-job": _order_is_job,
    "while-job-open": _while_job_open,
    "other-than-asks": _other_than_asks,
    "report-first": _report_first,
    "mark-differs": _mark_differs,
    "other-boot-taken": _other_boot_taken,
    "repeat-not-known": _repeat_not_known,
    "repeated-job": _repeated_job,
    "below-mark": _below_mark,
    "refused-not-raised": _refused_not_raised,
    "refused-is-last": _refused_is_last,
    "not-late": lambda scene: not _late(scene),
    "second-taken": _second_taken,
    "own-id": _own_id,
    "claim-as-a-job": _claim_as_a_job,
    "mark-went-down": _mark_went_down,
    "job-forgotten": _job_forgotten,
    "mark-over-reset": _mark_over_reset,
    "hold-for-all-missed": _hold_for_all_missed,
    "own-hold-missed": _own_hold_missed,
}
