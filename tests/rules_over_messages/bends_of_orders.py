"""Bends of orders and reports, and of what a supervisor does."""

from __future__ import annotations

from tests.rules_over_messages.bends import breaks
from tests.rules_over_messages.bent import Tale


@breaks("ORD-01")
def no_answer(tale: Tale) -> None:
    order = tale.first("north", "job-order", act="transfer")
    tale.drop(
        lambda one: (
            one.message in ("job-report", "job-order")
            and one.node == "north"
            and one.body.get("id") == order.body["id"]
            and one is not order
        )
    )


@breaks("ORD-01")
def no_answer_to_a_resume_said_twice(tale: Tale) -> None:
    order = tale.first("north", "job-order", act="resume")
    tale.drop(lambda one: one.message == "job-report" and one.body.get("id") == order.body["id"])
    tale.after(order).at_us += 300_000
    tale.said.sort(key=lambda one: one.at_us)


@breaks("ORD-14")
def report_without_order(tale: Tale) -> None:
    report = tale.last("north", "job-report", act="transfer")
    tale.after(report, id=report.body["id"] + 50)


@breaks("ORD-14")
def report_of_another_act(tale: Tale) -> None:
    tale.first("north", "job-report", act="transfer").body["act"] = "park"


@breaks("ORD-06")
def done_again(tale: Tale) -> None:
    report = tale.first("north", "job-report", act="transfer", state="done")
    tale.after(report, state="running", step="travel-to-pick")


@breaks("ORD-15")
def done_then_failed(tale: Tale) -> None:
    report = tale.first("north", "job-report", act="transfer", state="done")
    tale.after(report, state="failed", reason="fault")


@breaks("ORD-15")
def running_then_accepted(tale: Tale) -> None:
    report = tale.first("north", "job-report", act="transfer", step="grip")
    tale.after(report, state="accepted")


@breaks("ORD-05")
def obeys_an_order_of_another_boot(tale: Tale) -> None:
    order = tale.first("north", "job-order", act="home")
    for one in tale.where("north", "job-order", id=order.body["id"]):
        one.body["boot"] ^= 1
    for one in tale.where("north", "job-report", id=order.body["id"]):
        one.body["order_boot"] ^= 1


@breaks("ORD-10")
def takes_a_late_job(tale: Tale) -> None:
    for one in tale.where("north", "job-order", act="transfer"):
        one.body["deadline"] -= 25_000


@breaks("ORD-12")
def two_jobs_at_once(tale: Tale) -> None:
    order = tale.first("north", "job-order", act="transfer")
    second = tale.after(order, id=order.body["id"] + 1, act="park")
    for name in ("from", "from_slot", "to", "to_slot", "box", "stop", "shuttle_boot"):
        del second.body[name]
    running = tale.first("north", "job-report", act="transfer", state="running")
    taken = tale.after(running, id=second.body["id"], act="park", state="accepted")
    for name in ("box", "step"):
        del taken.body[name]


@breaks("HLD-03")
def takes_a_job_while_held(tale: Tale) -> None:
    order = tale.first("north", "job-order", act="transfer")
    for one in tale.where("north", "crane-status"):
        if order.at_us - 3e6 < one.at_us < order.at_us + 1e6:
            one.body.update(held=True, holds=1)


# ------------------------------------------------------------------------------------------ the supervisor
@breaks("SUP-01")
def orders_beyond_its_claim(tale: Tale) -> None:
    order = tale.first("north", "job-order", act="transfer")
    for one in tale.said:
        for name in ("id", "job"):
            if one.node == "north" and one.body.get(name) == order.body["id"] and one is not order:
                one.body[name] += 300
    order.body["id"] += 300


@breaks("SUP-03")
def claims_an_odd_id(tale: Tale) -> None:
    tale.first("north", "job-order", act="claim").body["id"] += 1


@breaks("SUP-04")
def one_id_for_two_orders(tale: Tale) -> None:
    order = tale.first("north", "job-order", act="transfer")
    tale.after(order, to_slot=1)


@breaks("SUP-04")
def ids_go_down(tale: Tale) -> None:
    order = tale.last("north", "job-order", act="transfer")
    claim = tale.first("north", "job-order", act="claim")
    report = tale.last("north", "job-report", act="transfer", state="done")
    late = tale.after(report)
    tale.said.remove(late)
    late.message, late.body = "job-order", dict(order.body, id=claim.body["id"] + 1)
    tale.first("north", "job-order", act="home").body["id"] = claim.body["id"] + 2
    tale.said.insert(tale.said.index(report) + 1, late)


@breaks("SUP-05")
def repeats_what_is_done(tale: Tale) -> None:
    order = tale.first("north", "job-order", act="home")
    place = next(index for index, one in enumerate(tale.said) if one.at_us > 40e6)
    late = type(order)(tale.said[place].at_us, "north", "job-order", "", dict(order.body), order.encoding)
    tale.said.insert(place, late)


@breaks("SUP-06")
def uses_a_token_again(tale: Tale) -> None:
    ask = tale.first("north", "job-order", act="ask")
    place = next(index for index, one in enumerate(tale.said) if one.at_us > 40e6)
    tale.said.insert(
        place, type(ask)(tale.said[place].at_us, "south", "job-order", "", dict(ask.body), ask.encoding)
    )


@breaks("SUP-07")
def orders_below_the_mark(tale: Tale) -> None:
    order = tale.last("north", "job-order", act="transfer")
    for one in tale.said:
        if one.node == "north" and one.at_us > order.at_us - 9e6 and "mark" in one.body:
            one.body["mark"] = 9 << 20


@breaks("SUP-12")
def train_leaves_under_the_crane(tale: Tale) -> None:
    depart = tale.first("siding", "job-order", act="depart")
    tale.said.remove(depart)
    step = tale.last("south", "job-report", step="lower-to-drop")
    depart.at_us = step.at_us
    tale.said.insert(tale.said.index(step) + 1, depart)


@breaks("SUP-13")
def order_to_a_departed_train(tale: Tale) -> None:
    leaving = tale.first("siding", "train-arrival", state="leaving")
    order = tale.first("south", "job-order", act="transfer")
    late = type(order)(
        leaving.at_us + 1000,
        "south",
        "job-order",
        "",
        dict(order.body, id=order.body["id"] + 9),
        order.encoding,
    )
    tale.said.insert(tale.said.index(leaving) + 1, late)


@breaks("SUP-13")
def order_by_another_reading(tale: Tale) -> None:
    for one in tale.where("south", "job-order", act="transfer"):
        one.body["reading"] += 5


@breaks("SUP-13")
def order_at_a_stop_of_before(tale: Tale) -> None:
    for one in tale.where("north", "job-order", act="transfer"):
        one.body["stop"] += 1


@breaks("SUP-15")
def runs_a_bench_node(tale: Tale) -> None:
    for one in tale.where("south", "node-status"):
        one.body["bench"] = True


@breaks("SUP-17")
def box_on_two_maps(tale: Tale) -> None:
    for one in tale.where("yard", "yard-map"):
        if one.place == "stack-s":
            one.body["slots"][0] = "C-100"


@breaks("SUP-17")
def box_from_where_it_is_not(tale: Tale) -> None:
    report = tale.first("north", "job-report", act="transfer", state="done")
    order = tale.first("north", "job-order", act="transfer")
    late = type(order)(
        report.at_us + 1000,
        "north",
        "job-order",
        "",
        dict(order.body, id=order.body["id"] + 9),
        order.encoding,
    )
    tale.said.insert(tale.said.index(report) + 1, late)


@breaks("SUP-18")
def deadline_far_ahead(tale: Tale) -> None:
    for one in tale.where("north", "job-order", act="transfer"):
        one.body["deadline"] += 20_000


@breaks("CRN-10")
def done_with_a_box(tale: Tale) -> None:
    tale.first("north", "job-report", act="transfer", state="done").body["load"] = "box"


@breaks("CRN-10")
def reports_another_box(tale: Tale) -> None:
    tale.first("north", "job-report", act="transfer", step="lift").body["box"] = "C-999"
