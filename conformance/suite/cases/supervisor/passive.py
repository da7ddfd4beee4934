"""What is judged of a supervisor from all that it sent in every life that the other cases gave it."""

from __future__ import annotations

from collections import defaultdict

from conformance.oracle.link_log import Message
from conformance.oracle.wording import in_words
from conformance.suite.cases.link import connect_sizes
from conformance.suite.cases.supervisor.claim import owned_first
from conformance.suite.cases.supervisor.silence import heard_lately
from conformance.suite.cases.supervisor.start import asked_first
from conformance.suite.cases.supervisor.work import clear_of_cranes, held_for_a_person, names_what_stands
from conformance.suite.message_flaws import flaws
from conformance.suite.supervisor_fixture import CROSSING_MS, SupervisorFixture, supervised
from protocol.counting import CLAIM_SPREAD, CLAIM_STEP, uptime_difference
from protocol.site import PlaceKind

ENOUGH = 6
"""So many random values of 12 bits or more are never all alike in their low or high halves."""
CLOSE = 1 << 12
"""Three random values of 32 bits lie within so much of each other in one of 2^38 rows: 3 (2^12 / 2^32)^2."""


@supervised("SUP-01", "SUP-02", "SUP-32", after=("supervisor-asks",), passive=True)
def supervisor_order_of_things(fixture: SupervisorFixture) -> None:
    """Ask, answer, claim and its answer stand before any other order, and every node is owned before the
    first job.

    Judged from every order of every life.
    """
    asked_first(fixture, all_runs=True)
    owned_first(fixture, all_runs=True)


@supervised("SUP-03", after=("supervisor-asks",), passive=True)
def supervisor_claim_ids(fixture: SupervisorFixture) -> None:
    """A claim's id is the least multiple of 2^20 above the mark plus 12 random bits times 2^8, and its orders
    keep within the 255 ids behind it.

    Judged from every claim and every order with an id. The random bits of some claims are not all alike.
    """
    bits: list[int] = []
    for order in fixture.orders(all_runs=True):
        known, id_ = order.known, order.body.get("id")
        if id_ is None or order.body.get("boot") != known.boot:
            continue
        if order.act == "claim" and order.is_new:
            top = max(known.mark, known.highest)
            least, low = top // CLAIM_STEP + 1, id_ % CLAIM_STEP
            fits = id_ // CLAIM_STEP == least and low % CLAIM_SPREAD == 0
            fixture.check(fits, "SUP-03", f"{least} * 2^20 + r * 2^8 above mark {top}", id_, order.message)
            bits.append(low // CLAIM_SPREAD)
        elif order.act != "claim" and order.is_new and known.owned:
            newest = max(known.claims)
            place = id_ - (newest if newest <= id_ else known.owned)
            limit = int(fixture.spec.timing["claim_orders"].value or 0)
            fixture.check(
                0 < place <= limit, "SUP-03", f"an id 1 to {limit} above its claim", place, order.message
            )
    fixture.need(len(bits) >= ENOUGH, "too few claims were seen to tell whether their bits are random")
    fixture.check(len(set(bits)) > 1, "SUP-03", "random bits in every claim", f"always {bits[0]}")


@supervised("SUP-30", after=("supervisor-asks",), passive=True)
def supervisor_claim_tokens(fixture: SupervisorFixture) -> None:
    """Every claim carries a token, another one each, and its repeats the same.

    Judged from every claim.
    """
    seen: dict[tuple[str, int, int], int] = {}
    for order in fixture.orders(all_runs=True):
        if order.act != "claim":
            continue
        key = (order.node, order.body["boot"], order.body["id"])
        token = order.body.get("token")
        fixture.check(token is not None, "SUP-30", "a token in the claim", "none", order.message)
        first = seen.setdefault(key, token or 0)
        fixture.check(first == token, "SUP-30", f"token {first} in the repeat", token, order.message)
    fixture.need(len(seen) >= ENOUGH, "too few claims were seen to tell whether their tokens are random")
    alike = len(set(seen.values())) < len(seen)
    fixture.check(not alike, "SUP-30", "another token in each claim", "one token twice")


@supervised("SUP-04", after=("supervisor-asks",), passive=True)
def supervisor_ids(fixture: SupervisorFixture) -> None:
    """Order ids to a node go up within a boot, and an id names one order for ever.

    Judged from every order with an id.
    """
    for order in fixture.orders(all_runs=True):
        known, id_ = order.known, order.body.get("id")
        if id_ is None or order.body.get("boot") != known.boot:
            continue
        first = known.sent.get(id_) or known.claims.get(id_)
        if first is None:
            top = known.highest
            fixture.check(id_ > top, "SUP-04", f"an id above {top}", id_, order.message)
        else:
            same = first.body == order.body
            fixture.check(
                same, "SUP-04", f"id {id_} for {in_words(first.body)} only", dict(order.body), order.message
            )


@supervised("SUP-06", after=("supervisor-asks",), passive=True)
def supervisor_tokens(fixture: SupervisorFixture) -> None:
    """A token is 32 random bits and is never used again.

    Judged from every ask: no token comes twice, their upper and lower halves are not all alike, and no three that a
    node got in a row lie close together, as those of a counter do.
    """
    seen: dict[int, Message] = {}
    by_node: defaultdict[str, list[int]] = defaultdict(list)
    for order in fixture.orders(all_runs=True):
        token = order.body.get("token")
        if order.act != "ask" or token is None:
            continue
        fixture.check(
            token not in seen, "SUP-06", "a token that was never used", f"{token} again", order.message
        )
        seen[token] = order.message
        by_node[order.node].append(token)
    for tokens in by_node.values():
        for row in zip(tokens, tokens[1:], tokens[2:], strict=False):
            spread = max(row) - min(row)
            fixture.check(spread >= CLOSE, "SUP-06", "32 random bits in each token", list(row), seen[row[-1]])
    fixture.need(len(seen) >= ENOUGH, "too few asks were seen to tell whether their tokens are random")
    halves = len({token >> 16 for token in seen}), len({token & 0xFFFF for token in seen})
    fixture.check(
        min(halves) > 1, "SUP-06", "32 random bits", f"halves that stay: {in_words(sorted(seen)[:3])}"
    )


def _need_started(fixture: SupervisorFixture, *acts: str) -> None:
    """Without such orders there is nothing to judge. Raises Unclear."""
    seen = {order.act for order in fixture.orders(all_runs=True) if order.starts}
    missing = [act for act in acts if act not in seen]
    fixture.need(not missing, f"no {' and no '.join(missing)} was seen")


@supervised("SUP-12", after=("supervisor-asks",), passive=True)
def supervisor_under_cranes(fixture: SupervisorFixture) -> None:
    """No train and no shuttle is moved under a crane that may have a job.

    Judged from every admit, depart and run.
    """
    _need_started(fixture, "admit", "run")
    clear_of_cranes(fixture, all_runs=True)


@supervised("SUP-13", after=("supervisor-asks",), passive=True)
def supervisor_names_arrival(fixture: SupervisorFixture) -> None:
    """A transfer at a train names the arrival, the reading and the boot that the berth told last, and one at a
    shuttle its stop and boot.

    Judged from every transfer that is no repeat.
    """
    _need_started(fixture, "transfer")
    for order in fixture.orders(all_runs=True):
        if order.act == "transfer" and order.starts:
            for end in ("from", "to"):
                names_what_stands(fixture, order, str(order.body.get(end, "")))


@supervised("SUP-18", after=("supervisor-asks",), passive=True)
def supervisor_deadlines(fixture: SupervisorFixture) -> None:
    """A deadline lies no further ahead of the node's newest uptime than the protocol allows.

    Judged from every job that is no repeat.
    """
    _need_started(fixture, "transfer")
    lead_ms = fixture.spec.most_ms("order_lead")
    for order in fixture.orders(all_runs=True):
        if order.starts and order.body["boot"] == order.known.boot:
            ahead = uptime_difference(order.body["deadline"], order.known.uptime)
            fixture.check(
                ahead <= lead_ms, "SUP-18", f"at most {lead_ms} ms ahead", f"{ahead} ms", order.message
            )


@supervised("SUP-21", after=("supervisor-asks",), passive=True)
def supervisor_heard_lately(fixture: SupervisorFixture) -> None:
    """Whatever is started, its node and all next to it had been heard lately.

    Judged from every job that is no repeat.
    """
    _need_started(fixture, "transfer", "admit")
    heard_lately(fixture, all_runs=True)


@supervised("SUP-25", after=("supervisor-asks",), passive=True)
def supervisor_person_held_for(fixture: SupervisorFixture) -> None:
    """Whenever a person has been at a machine, all that reaches there was known to be held and at rest.

    Judged from every reset-fault.
    """
    acts = [order.act for order in fixture.orders(all_runs=True)]
    fixture.need("reset-fault" in acts, "no reset-fault was seen")
    held_for_a_person(fixture, all_runs=True)


@supervised("SUP-27", "SUP-28", after=("supervisor-asks",), passive=True)
def supervisor_in_doubt(fixture: SupervisorFixture) -> None:
    """Whenever a node was silent for too long, or another boot of it spoke, it gets nothing but asks until it
    answers.

    Judged from every order to such a node.
    """
    seen = [fixture.minds_doubt(requirement, all_runs=True) for requirement in ("SUP-27", "SUP-28")]
    fixture.need(any(seen), "no node was in doubt")


@supervised("SUP-23", after=("supervisor-asks",), passive=True)
def supervisor_one_reading(fixture: SupervisorFixture) -> None:
    """A transfer names at most one berth and at most one shuttle.

    Judged from every transfer.
    """
    _need_started(fixture, "transfer")
    for order in fixture.orders(all_runs=True):
        ends = {str(order.body[end]) for end in ("from", "to") if end in order.body}
        places = [fixture.site.places[end] for end in ends if end in fixture.site.places]
        for kind in (PlaceKind.TRACK, PlaceKind.DECK):
            owners = sorted({place.node for place in places if place.kind == kind})
            seen = f"{order.act} between {' and '.join(owners)}"
            fixture.check(len(owners) < 2, "SUP-23", "one berth and one shuttle at most", seen, order.message)


@supervised("ENC-08", after=("supervisor-asks",), passive=True)
def supervisor_sizes(fixture: SupervisorFixture) -> None:
    """No order is larger than its node's receive buffer, and none in an encoding that its node does not read.

    Judged from every order to a node that has said what it takes.
    """
    for order in fixture.orders(all_runs=True):
        status = order.known.words.get("node-status")
        if status is None or order.message.at_ms - status.at_ms <= fixture.stretched(CROSSING_MS):
            continue
        buffer, reads = status.body["buffer"], status.body["reads"]
        size, encoding = order.message.trace.size, order.message.encoding
        fixture.check(size <= buffer, "ENC-08", f"at most {buffer} bytes", f"{size} bytes", order.message)
        fits = reads == "both" or (encoding is not None and encoding.value == reads)
        fixture.check(fits, "ENC-08", f"an order in {reads}", encoding or "neither", order.message)


@supervised(
    "ENC-01", "ENC-02", "ENC-03", "ENC-04", "ENC-05", "ENC-06", "ENC-07", "ENC-13", "LNK-12", "LNK-13", "LNK-19",
    after=("supervisor-asks",), passive=True,
)  # fmt: skip
def supervisor_messages(fixture: SupervisorFixture) -> None:
    """Whatever a supervisor sends is a message of the protocol, encoded, sized and flagged as it must be.

    Judged from everything that it published: topic, encoding, schema, size, retain flag and QoS.
    """
    for run in fixture.runs:
        for message in fixture.log.sent(after=run.after):
            fixture.judged["ENC-01"] += 1
            for flaw in flaws(message):
                fixture.check(False, flaw.requirement, flaw.expected, flaw.seen, message)


@supervised("HLD-06", "ENC-08", after=("supervisor-asks",), passive=True)
def supervisor_to_all(fixture: SupervisorFixture) -> None:
    """Nothing but a hold is sent to all, and only in an encoding that every node reads.

    Judged from everything on the job-order topic of 'all'.
    """
    everyone = fixture.topic(fixture.spec.everyone)
    reads = {node.reads for node in fixture.site.nodes.values() if node.name in fixture.yard.nodes}
    for message in (one for run in fixture.runs for one in fixture.log.sent("job-order", run.after)):
        to_all = message.topic == everyone
        act = message.body.get("act", "what cannot be read")
        fixture.check(not to_all or act == "hold", "HLD-06", "only a hold to all", act, message)
        if not to_all:
            continue
        fits = message.encoding is not None and reads <= {"both", message.encoding.value}
        expected = "an encoding that every node reads"
        fixture.check(fits, "ENC-08", expected, message.encoding or "neither", message)


@supervised("LNK-18", after=("supervisor-asks",), passive=True)
def supervisor_connect_size(fixture: SupervisorFixture) -> None:
    """A whole CONNECT of a supervisor keeps within the limits too, and so does each part of it.

    Judged from the bytes of its CONNECT packets, counted as in MQTT 3.1.1 section 3.1.
    """
    connect_sizes(fixture)
