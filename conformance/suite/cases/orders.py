"""Orders before anything is done: answers, boots, marks, deadlines, and what a node refuses."""

from __future__ import annotations

from typing import Any

from conformance.oracle.link_log import Message
from conformance.oracle.wording import in_words
from conformance.oracle.writing import may_refuse
from conformance.suite.case import NODES, case
from conformance.suite.exchange import SentOrder
from conformance.suite.fixture import Fixture
from conformance.suite.observation import Observing
from conformance.suite.occasions import A_JOB
from conformance.suite.preamble import settle
from protocol.counting import UPTIME_MODULUS
from protocol.site import NodeSite, Site
from protocol.topics import parse_topic

BURST = 6


@case("ORD-03", "ORD-04", "MSG-10", "MSG-11", after=("link-says-on",))
def orders_ask(fixture: Fixture) -> None:
    """An ask is answered with all state messages of the node's roles, and then with the report that carries
    the token.

    Sends two asks with random tokens. Mark, job and motors have to be the same in both answers. The answer
    is the fence that every other case rests on.
    """
    first = fixture.ask()
    missing = [name for name in fixture.state_topics if name not in first.states]
    fixture.check(
        not missing,
        "ORD-03",
        f"{', '.join(fixture.state_topics)} before the report",
        f"no {', '.join(missing)}",
        first.report,
    )
    for name, message in first.states.items():
        if name != "fault":
            mark = message.body.get("mark")
            fixture.check(mark == first.mark, "MSG-11", f"mark {first.mark} in {name}", mark, message)
    second = fixture.unmoved(first, "ORD-04")
    fixture.check(
        second.mark == first.mark, "ORD-04", f"mark {first.mark} after an ask", second.mark, second.report
    )


@case("ORD-02", "ORD-19", after=("orders-ask",))
def orders_in_order(fixture: Fixture) -> None:
    """Orders are handled in the order in which they arrive, and none is lost in a burst.

    Sends six asks at once, each with its own random token, and expects six reports in that order
    [MQTT-4.6.0-5].
    """
    tokens = [fixture.new_token() for _ in range(BURST)]
    before = fixture.log.end
    for token in tokens:
        fixture.send_raw(fixture.encoded({"act": "ask", "token": token}))

    def answered() -> list[int]:
        reports = fixture.log.sent("job-report", before)
        return [m.body["token"] for m in reports if m.body.get("token") in tokens]

    fixture.bench.wait(lambda: len(answered()) >= BURST, fixture.patience_ms)
    fixture.check(len(answered()) >= BURST, "ORD-19", f"{BURST} reports", f"{len(answered())} of them")
    fixture.check(answered() == tokens, "ORD-02", f"reports with tokens {in_words(tokens)}", answered())


@case("ORD-19", "MSG-02", after=("orders-in-order",))
def orders_rate(fixture: Fixture) -> None:
    """The node keeps up with the highest rate of orders and loses none.

    Sends asks for one second, evenly, at the rate of the specification, and expects one report each.
    """
    count = fixture.spec.timing["order_rate"].most or 0
    before = fixture.log.end
    tokens = []
    for _ in range(count):
        tokens.append(fixture.new_token())
        fixture.send_raw(fixture.encoded({"act": "ask", "token": tokens[-1]}))
        fixture.watch(fixture.stretched(1000 / count))

    def answered() -> set[int]:
        return {m.body["token"] for m in fixture.log.sent("job-report", before) if "token" in m.body}

    fixture.bench.wait(lambda: answered() >= set(tokens), fixture.patience_ms)
    lost = len(set(tokens) - answered())
    fixture.check(not lost, "ORD-19", f"{count} reports for {count} asks in a second", f"{lost} missing")


@case("ORD-01", after=("orders-ask",), passive=True, occasions=A_JOB)
def orders_answer_time(fixture: Fixture) -> None:
    """Every readable order but hold is answered with a report in time, also while something moves.

    Judged from every order of the run: from its arrival at the node to the first report with its id or
    token. Orders that were still on their way when the connection ended are left out, and what comes for all: of that
    a node obeys a hold alone [HLD-07]. So is what it need not read [ENC-14].
    """
    limit = fixture.limit_ms("answer")
    ends = {trace.connection: trace.at_ms for trace in fixture.log.traces}
    for order in fixture.log.messages:
        act = order.body.get("act")
        if order.from_node or order.name != "job-order" or order.retain or act in (None, "hold"):
            continue
        if parse_topic(order.topic).node == fixture.spec.everyone or may_refuse(order):
            continue
        report = next((m for m in fixture.log.since(order.number) if _answers(m, order)), None)
        if report is None and ends[order.trace.connection] - order.at_ms < limit:
            continue
        told = f"a report for {act!r}" + (f" {_told_under(order)}" if "id" in order.body else "")
        none = f"none{fixture.log.misdirected(order.body, order.number)}"
        took = f"{report.at_ms - order.at_ms:.0f} ms" if report else none
        span = order.at_ms, report.at_ms if report else order.at_ms + limit
        fits = report is not None and report.at_ms - order.at_ms <= limit + fixture.bench.line_ms(*span)
        fixture.in_time(fits, span, "ORD-01", f"{told} within {limit:.0f} ms", took, order)


def _answers(report: Message, order: Message) -> bool:
    body = order.body
    if body["act"] == "ask":
        return report.is_report("ask", token=body["token"])
    return report.is_report(body["act"], order=_told_under(order))


def _told_under(order: Message) -> int:
    """The id that its reports carry: in the answer to a cancel that of the job it names [ORD-17]."""
    return int(order.body.get("ref", order.body["id"]))


@case("ORD-05", "ORD-14", "ORD-20", after=("claim-raises",))
def orders_wrong_boot(fixture: Fixture) -> None:
    """An order for another boot is refused 'wrong-boot' and leaves the mark alone.

    Sends a job, a claim and a cancel with an id far above the mark and a boot that is not the node's.
    Nothing may move, and an order of the right boot with a lower id than those has to be taken afterwards.
    """
    before = fixture.ask()
    high = before.mark + 100_000
    orders = (
        late_job(fixture, 10_000, id=high),
        fixture.compose("claim", id=high + 1),
        fixture.compose("cancel", id=high + 2, ref=high),
    )
    for order in orders:
        sent = fixture.send({**order, "boot": fixture.other_boot()})
        report = fixture.refused(sent, "wrong-boot", "ORD-05")
        boot = report.body["order_boot"]
        fixture.check(boot == sent.body["boot"], "ORD-14", f"order_boot {sent.body['boot']}", boot, report)
    after = fixture.unmoved(before, "ORD-20")
    fixture.check(
        after.mark == before.mark, "ORD-05", f"mark {before.mark} as before", after.mark, after.report
    )


def late_job(fixture: Fixture, ms: float = -1000, **fields: Any) -> dict[str, Any]:
    """A job of one of the node's roles whose deadline lies `ms` from now."""
    node = fixture.node
    if node.crane:
        act = "home"
    elif node.berth:
        act = "admit"
    else:
        assert node.shuttle is not None
        act, fields = "run", {"to": node.shuttle.stops[0]} | fields
    return fixture.compose(act, deadline=fixture.uptime_in(ms), **fields)


@case("ORD-10", "ORD-20", after=("claim-raises",))
def orders_late(fixture: Fixture) -> None:
    """A job whose deadline has passed is refused 'late' and moves nothing.

    Sends jobs with deadlines one second and, at random, up to twenty days before the node's uptime.
    """
    before = fixture.ask()
    for back in (1000, fixture.rng.randrange(10_000, 20 * 86_400_000)):
        fixture.refused(fixture.send(late_job(fixture, -back)), "late", "ORD-10")
    fixture.unmoved(before, "ORD-20")


@case("ORD-07", "ORD-20", after=("claim-raises",))
def orders_stale(fixture: Fixture) -> None:
    """An id at or below the mark that is no repeat is refused 'stale' and does nothing.

    Sends jobs whose id is the mark, and one a little below it. 1,2,3,2,3,4 is a legal sequence at QoS 1
    (MQTT 3.1.1 section 4.6).
    """
    before = fixture.ask()
    for back in (0, fixture.rng.randrange(1, 200)):
        sent = fixture.send(late_job(fixture, 10_000, id=before.mark - back))
        report = fixture.report(sent)
        known = before.job[0] == sent.id
        fixture.need(not known, "the id at hand is that of the last job")
        said = (report.body["state"], report.body.get("reason"))
        fixture.check(said == ("refused", "stale"), "ORD-07", "refused, 'stale'", said, report)
    after = fixture.unmoved(before, "ORD-07")
    fixture.check(after.mark == before.mark, "ORD-07", f"mark {before.mark}", after.mark, after.report)


@case("ORD-08", "ORD-09", after=("orders-late", "orders-stale"))
def orders_mark_first(fixture: Fixture) -> None:
    """The mark is raised before deadline, mode and load are looked at, and a refused order is no job.

    Sends a job that is late, and then the same id once more with a deadline in time: the first is refused
    'late' with its own id as the mark, the second 'stale'. Nothing moves.
    """
    before = fixture.ask()
    late = fixture.send(late_job(fixture))
    fixture.refused(late, "late", "ORD-08", mark=late.id)
    again = fixture.send({**late.body, "deadline": fixture.uptime_in(10_000)})
    fixture.refused(again, "stale", "ORD-09")
    after = fixture.unmoved(before, "ORD-09")
    fixture.check(after.mark == late.id, "ORD-08", f"mark {late.id}", after.mark, after.report)


@case("ORD-11", "ORD-10", after=("hold-refuses", "bench-set-uptime"), mode="bench")
def orders_late_across_wrap(fixture: Fixture) -> Observing:
    """A deadline beyond the wrap of uptime is in time, and one before it is late.

    Sets the uptime 4 s before the wrap and holds the node, so that nothing can move: a job that is in time
    is then refused 'held', one that is late is refused 'late', for the deadline is checked first.
    """
    fixture.answer_to("set-uptime", uptime=UPTIME_MODULUS - 4000)
    fixture.send({"act": "hold"})
    fixture.ask()
    in_time = fixture.send({**late_job(fixture), "deadline": 2000})
    late = fixture.report(in_time).body.get("reason") == "late"
    fixture.refused(in_time, "held", "ORD-11" if late else "HLD-03")
    _late(fixture, fixture.send({**late_job(fixture), "deadline": UPTIME_MODULUS - 6000}))
    yield fixture.stretched(5000)
    fixture.send({"act": "hold"})
    fixture.ask()
    _late(fixture, fixture.send({**late_job(fixture), "deadline": UPTIME_MODULUS - 1000}))
    settle(fixture)


def _late(fixture: Fixture, sent: SentOrder) -> None:
    """Demand that a job is taken for late [ORD-11], as which it is refused 'late' [ORD-10]."""
    report = fixture.report(sent)
    said = report.body["state"], report.body.get("reason")
    fixture.check(said[1] != "held", "ORD-11", "a job that is late", "a job in time, refused 'held'", report)
    fixture.equal(said, ("refused", "late"), "ORD-10", "state 'refused', reason 'late'", report)


def _lacks_a_role(_site: Site, node: NodeSite) -> str:
    return "" if set(NODES) - set(node.roles) else "the node has every role, so that it supports every act"


@case("ORD-13", "ORD-01", "ORD-20", after=("claim-raises",), applies=_lacks_a_role)
def orders_unsupported(fixture: Fixture) -> None:
    """An act that none of the node's roles has is refused 'unsupported'.

    Sends a job of every role that the node does not have, with a deadline in time.
    """
    before = fixture.ask()
    theirs = {"crane": ("park", {}), "berth": ("depart", {}), "shuttle": ("run", {"to": "nowhere"})}
    for role, (act, fields) in theirs.items():
        if role not in fixture.node.roles:
            fixture.refused(fixture.order(act, **fields), "unsupported", "ORD-13")
    fixture.unmoved(before, "ORD-20")


@case("ORD-18", "ORD-14", after=("claim-raises", "orders-stale"))
def orders_cancel_unseen(fixture: Fixture) -> None:
    """A cancel of an order that was never seen is answered 'cancelled' and keeps that order out.

    Composes a job but does not send it, cancels it under the next id, and only then sends it: the cancel is
    answered under the job's id with its own id as the mark, the job is refused 'stale'.
    """
    before = fixture.ask()
    job = late_job(fixture, 10_000)
    cancel = fixture.order("cancel", ref=job["id"])
    report = fixture.report(cancel)
    fixture.check(
        report.body["state"] == "cancelled", "ORD-18", "state 'cancelled'", report.body["state"], report
    )
    fixture.check(
        report.body["mark"] == cancel.id, "ORD-18", f"mark {cancel.id}", report.body["mark"], report
    )
    fixture.refused(fixture.send(job), "stale", "ORD-18")
    fixture.unmoved(before, "ORD-18")


@case("ORD-21", "ORD-08", after=("orders-cancel-unseen",))
def orders_cancel_later(fixture: Fixture) -> None:
    """A cancel of an order that its own mark does not keep out is refused 'stale', and never answered 'cancelled'.

    Cancels orders that were not sent, one with the cancel's own id and ones above it: the next and one far off. Each
    cancel raises the mark to its own id. 'cancelled' would be a promise that nothing keeps.
    """
    before = fixture.ask()
    for ahead in (0, 1, fixture.rng.randrange(2, 100_000)):
        cancel = fixture.compose("cancel", ref=1)
        sent = fixture.send({**cancel, "ref": cancel["id"] + ahead})
        fixture.refused(sent, "stale", "ORD-21", mark=sent.id)
    fixture.unmoved(before, "ORD-21")


@case("ORD-14", after=("orders-ask",), passive=True, occasions=A_JOB)
def orders_identity(fixture: Fixture) -> None:
    """Every report carries the id, the boot and the act of an order that was sent to the node.

    Judged from all reports of the run; in the answer to a cancel the id is that of the job it names.
    """
    known: set[tuple[str, int, int]] = set()
    tokens: set[int] = set()
    for message in fixture.log.messages:
        body = message.body
        if not message.from_node and message.name == "job-order" and body.get("act") == "ask":
            tokens.add(body["token"])
        elif not message.from_node and message.name == "job-order" and "id" in body:
            known.add((body["act"], body["id"], body["boot"]))
            known |= {("cancel", body["ref"], body["boot"])} if "ref" in body else set()
        elif message.from_node and message.name == "job-report" and "token" in body:
            fixture.check(body["token"] in tokens, "ORD-14", "the token of an ask", body["token"], message)
        elif message.from_node and message.name == "job-report" and body:
            told = (body["act"], body.get("id"), body.get("order_boot"))
            fixture.check(
                told in known, "ORD-14", "act, id and boot of an order that was sent", told, message
            )
