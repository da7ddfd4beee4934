"""The checks of an order in their order: the first that holds decides.

Made from the specification by `python -m conformance.publish.firmware`; do not edit.
"""

from .tables import JOBS
from .uptime import after


def decide(node, order: dict) -> tuple:
    """What the node does about an order that can be read, and the reason of a refusal."""
    act = order["act"]
    is_known, is_job = act in node.acts, act in JOBS
    is_ours = is_known and is_job  # a job of the role
    if act == "ask":
        return "answer", ""  # ask: ORD-03
    if act == "hold":
        return "obey", ""  # hold: HLD-01
    if order["boot"] != node.boot:
        return "refuse", "wrong-boot"  # other_boot: ORD-05
    if act == "claim":
        return "claim", ""  # claim: CLM-01, CLM-02
    if (node.job is not None) and (order["id"] == node.job.id):
        return "repeat", ""  # repeat_of_job: ORD-06
    if (act == "cancel") and (node.job is not None) and (order["ref"] == node.job.id):
        return "cancel", ""  # cancel_of_job: ORD-17
    if order["id"] <= node.mark:
        return "refuse", "stale"  # at_or_below_mark: ORD-07
    node.raise_mark(order["id"])
    if (act == "cancel") and (order["ref"] >= order["id"]):
        return "refuse", "stale"  # cancel_of_later: ORD-21
    if (act == "cancel") and (order["ref"] > node.mark_before):
        return "cancelled", ""  # cancel_of_unseen: ORD-18
    if act == "cancel":
        return "refuse", "stale"  # cancel_of_forgotten: ORD-07
    if not is_known:
        return "refuse", "unsupported"  # unsupported: ORD-13
    if (act in ('stimulus', 'set-uptime')) and not node.bench:
        return "refuse", "not-bench"  # not_on_bench: BEN-01
    if (act == "resume") and (order["holds"] != node.holds):
        return "refuse", "holds-count"  # holds_moved_on: HLD-04
    if (act == "reset-fault") and (order["faults"] != node.faults.count):
        return "refuse", "fault-count"  # faults_moved_on: FLT-04
    if (act == "reset-fault") and (("found" in order) or ("place" in order)) and not node.role.finding_fits(order):
        return "refuse", "nothing-found"  # finding_unfit: BER-07, SHT-06
    if ("deadline" in order) and (after(node.uptime(), order["deadline"])):
        return "refuse", "late"  # past_deadline: ORD-10, ORD-11
    if is_job and (node.job is not None) and node.job.is_open():
        return "refuse", "busy"  # job_open: ORD-12
    if is_job and node.held:
        return "refuse", "held"  # is_held: HLD-03
    if is_ours and (node.role_name == "crane") and not node.machine.has_row(act):
        return "refuse", "mode"  # mode_forbids: CRN-03
    if is_ours and (node.role_name != "crane") and not node.machine.has_row(act):
        return "refuse", "state"  # state_forbids: BER-03, SHT-03
    if is_ours and not node.role.load_fits(order):
        return "refuse", "load"  # load_forbids: CRN-08, CRN-09
    if is_ours and not node.role.knows_place(order):
        return "refuse", "place"  # place_unknown: CRN-05, CRN-07, SHT-03
    if is_ours and not node.role.within_table(order):
        return "refuse", "outside-table"  # outside_table: CRN-06
    if is_ours and not node.role.within_reach(order):
        return "refuse", "reach"  # out_of_reach: CRN-04
    return "accept", ""
