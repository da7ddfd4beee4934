"""What a node does about an order, once the checks have decided."""

from .job import Job
from .order_desk import decide
from .tables import FAULTS, JOBS
from .uptime import WRAP


def handle(node, order: dict) -> None:
    """Look at an order that can be read, and do as the checks say."""
    does, reason = decide(node, order)
    if does == "answer":
        _answer_ask(node, order["token"])
    elif does == "obey":
        _hold(node, order)
    elif does == "claim":
        _claim(node, order)
    elif does == "repeat":
        node.answer_job(order["act"])
    elif does == "cancel":
        _cancel(node)
    elif does == "cancelled":
        _answer(node, order, "cancelled")
    elif does == "refuse":
        _answer(node, order, "refused", reason)
    elif order["act"] in JOBS:
        _begin(node, order)
    else:
        _obey(node, order)


def _answer(node, order: dict, state: str, reason: str = "") -> None:
    """A report on an order that is no job; on a cancel, under the id of the job that it names [ORD-14]."""
    act = order["act"]
    report = {
        "id": order["ref"] if act == "cancel" else order["id"],
        "order_boot": order["boot"],
        "act": act,
        "state": state,
    }
    if reason:
        report["reason"] = reason
    if act == "claim" and state == "done" and node.claimant is not None:
        report["claimant"] = node.claimant
    node.speaker.say("job-report", report)


def _answer_ask(node, token: int) -> None:
    """All state, then the token: what came between is of now [ORD-03]."""
    node.speaker.tell_all()
    node.speaker.say("job-report", {"token": token, "act": "ask", "state": "done"})


def _hold(node, order: dict) -> None:
    """Stop motion, keep the job, report nothing [HLD-01, HLD-02]. A repeat changes nothing [HLD-08]."""
    token = order.get("token")
    if token is not None and token == node.hold_token:
        return
    node.hold_token = token
    node.holds = (node.holds + 1) & 0xFFFF
    node.speaker.role_changed()
    if not node.held:
        node.held = True
        node.role.hold()


def _claim(node, order: dict) -> None:
    if order["id"] > node.mark:
        node.raise_mark(order["id"])
        node.claimant = order.get("token")
    if order["id"] == node.mark:
        _answer(node, order, "done")
    else:
        _answer(node, order, "refused", "stale")


def _cancel(node) -> None:
    """End the job if nothing was picked; answered under its id, whatever the id of the cancel [ORD-17]."""
    job = node.job
    if job.is_open() and not job.past_return:
        node.job_is("cancelled")
        node.role.cancel()
    node.answer_job("cancel", "too-late" if job.is_open() else "")
    if job.state == "cancelled":
        node.report_job()


def _begin(node, order: dict) -> None:
    """Accept a job; it starts with the next tick, so that a hold or cancel that came with it finds it at rest."""
    node.job = Job(order)
    node.job_is("accepted")
    node.role.accept(order)
    node.report_job()


def _reset_fault(node, order: dict) -> None:
    """Clear what a person's look ends; move nothing and restart nothing [FLT-05]."""
    for code in FAULTS:
        if code != "load-unsure" and (code != "power-lost" or node.power):
            node.faults.clear(code)
    if not node.faults.has_halt():
        node.role.reset(order)
    node.speaker.say("fault")


def _obey(node, order: dict) -> None:
    """Do at once what is no job."""
    act = order["act"]
    if act == "resume":
        if node.held:
            node.held = False
            node.speaker.role_changed()
            node.role.resume()
    elif act == "reset-fault":
        _reset_fault(node, order)
    elif act == "stimulus":
        node.inputs.play(order["inputs"])
    else:
        node.ahead_ms = (order["uptime"] - node.now_ms) % WRAP  # and changes nothing else [BEN-04]
    _answer(node, order, "done")
