"""What a supervisor may order, by what it can have heard."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator

from protocol.counting import CLAIM_SPREAD, CLAIM_STEP, uptime_difference
from protocol.rules.order_history import KnownNode, KnownOrder, OrderHistory
from protocol.rules.received import Body, Breach, ReceivedMessage
from protocol.site import Site
from protocol.specification import FINAL, specification

RACE_US = 500_000
"""What a supervisor cannot have heard yet when it sent an order."""
TOLD_ENOUGH = 3
"""Times that a state was said before nobody can have missed it."""
DOUBT_US = 6_000_000
"""How long to wait for a word of a berth or shuttle that would clear an order."""
TOKENS_KEPT = 4096
LEAD_GRACE_MS = 200


class Orders:
    """Judges orders [SUP-01, 03 to 07, 12, 13, 15, 18; HLD-06 is a single message's]."""

    def __init__(self, history: OrderHistory, site: Site | None) -> None:
        self._history = history
        self._site = site
        self._tokens: OrderedDict[int, tuple[int, int]] = OrderedDict()
        self._claims: dict[tuple[str, int], list[int]] = {}
        self._newest: dict[tuple[str, int], tuple[int, int]] = {}
        self._doubts: list[tuple[str, Body, Breach]] = []
        """Machine, order and breach, until the machine's next word: the last may have been lost here."""

    def forget(self) -> None:
        """There is a gap in what was heard."""
        self._newest.clear()
        self._doubts.clear()

    def hear(self, heard: ReceivedMessage) -> Iterator[Breach]:
        """Take the word of a berth or shuttle on orders that seemed wrong."""
        if not self._doubts or heard.message not in ("train-arrival", "shuttle-status"):
            return
        fits = _fits_train if heard.message == "train-arrival" else _fits_deck
        for doubt in [one for one in self._doubts if one[0] == heard.node]:
            self._doubts.remove(doubt)
            if not (heard.lost and fits(doubt[1], heard.body)):
                yield doubt[2]

    def look(self, at_us: int) -> Iterator[Breach]:
        """Give up waiting."""
        while self._doubts and at_us - self._doubts[0][2].at_us > DOUBT_US:
            yield self._doubts.pop(0)[2]

    def order(self, heard: ReceivedMessage, known: KnownOrder | None) -> Iterator[Breach]:
        """Judge one order, `known` if it was heard before."""
        body = heard.body
        node = self._history.node(heard.node)
        if node.word("node-status").get("bench"):
            # A tester orders what no supervisor would.
            if self._history.supervised and body["act"] in specification().jobs:
                yield heard.breach("SUP-15", f"orders {body['act']} from a node on the bench")
            return
        if body["act"] == "ask":
            yield from self._token(heard)
        if "id" not in body:
            return
        if known is not None:
            yield from self._again(heard, known)
            return
        yield from self._id(heard, node)
        if body["act"] in specification().jobs:
            yield from self._claimed(heard)
            yield from self._deadline(heard, node)
            yield from self._beside(heard)

    def _token(self, heard: ReceivedMessage) -> Iterator[Breach]:
        token = heard.body["token"]
        before = self._tokens.get(token)
        if before is not None and heard.at_us - before[1] > 100_000:
            yield heard.breach("SUP-06", f"uses token {token} a second time", since=before[0])
        self._tokens[token] = (heard.number, heard.at_us)
        if len(self._tokens) > TOKENS_KEPT:
            self._tokens.popitem(last=False)

    def _again(self, heard: ReceivedMessage, known: KnownOrder) -> Iterator[Breach]:
        if heard.body != known.body:
            what = f"order id {heard.body['id']} names another order than before"
            yield heard.breach("SUP-04", what, since=known.number)
        elif known.state in FINAL and known.is_job and heard.at_us - known.state_us > RACE_US:
            what = f"repeats {known.act} although it was {known.state} already"
            # What was heard here once may have been lost on its way to the supervisor.
            yield heard.breach("SUP-05", what, since=known.state_number, note=known.told < TOLD_ENOUGH)

    def _id(self, heard: ReceivedMessage, node: KnownNode) -> Iterator[Breach]:
        body = heard.body
        key = (heard.node, body["boot"])
        id_ = body["id"]
        if body["act"] == "claim":
            if id_ % CLAIM_SPREAD:
                yield heard.breach("SUP-03", f"claims with id {id_}, whose last 8 bits are not 0")
            claims = self._claims.setdefault(key, [])
            claims.append(id_)
            del claims[:-16]
        newest = self._newest.get(key)
        if newest is not None and id_ < newest[0] and body["act"] != "claim":
            what = f"order id {id_} comes after {newest[0]}: ids go up"
            yield heard.breach("SUP-04", what, since=newest[1])
        if newest is None or id_ > newest[0]:
            self._newest[key] = (id_, heard.number)
        mark = node.mark
        late = mark is not None and heard.at_us - mark[2] > RACE_US
        if mark is not None and mark[0] == body["boot"] and id_ < mark[1] and late and body["act"] != "claim":
            what = f"orders {body['act']} with id {id_} although the node's mark is {mark[1]}"
            yield heard.breach("SUP-07", what)

    def _claimed(self, heard: ReceivedMessage) -> Iterator[Breach]:
        id_ = heard.body["id"]
        claims = self._claims.get((heard.node, heard.body["boot"]))
        if claims is None:
            return  # Claimed before anybody listened, perhaps.
        if not any(claim < id_ < claim + CLAIM_SPREAD for claim in claims):
            low = min(claims, key=lambda claim: abs(claim - id_))
            step = "" if id_ // CLAIM_STEP == low // CLAIM_STEP else " of another claim number"
            what = f"orders {heard.body['act']} with id {id_}{step}, which none of its claims covers"
            yield heard.breach("SUP-01", what)

    def _deadline(self, heard: ReceivedMessage, node: KnownNode) -> Iterator[Breach]:
        body = heard.body
        if node.uptime is None or node.boot != body["boot"]:
            return
        newest_us = max((at for _, _, at in node.words.values()), default=heard.at_us)
        lead = uptime_difference(body["deadline"], node.uptime) - (heard.at_us - newest_us) // 1000
        most = specification().most_ms("order_lead")
        if lead > most + LEAD_GRACE_MS:
            yield heard.breach("SUP-18", f"a deadline {lead} ms ahead; at most {most} are allowed")

    def _beside(self, heard: ReceivedMessage) -> Iterator[Breach]:
        """Trains and shuttles against the cranes beside them."""
        body = heard.body
        if body["act"] == "transfer":
            self._train(heard)
            self._deck(heard)
        elif body["act"] in ("admit", "depart", "run"):
            for name, node in self._history.nodes.items():
                job = node.open_job()
                if job is not None and job.act == "transfer" and self._touches(job, heard.node):
                    what = f"orders {body['act']} while {name} has a job there"
                    yield heard.breach("SUP-12", what, since=job.number)

    def _touches(self, job: KnownOrder, machine: str) -> bool:
        """Whether a transfer works at this berth or shuttle."""
        names = {job.body.get("from"), job.body["to"]}
        if self._site is not None:
            place = self._site.place_of(machine)
            return place is not None and place.name in names
        return machine in names or self._named(job, machine)

    def _named(self, job: KnownOrder, machine: str) -> bool:
        word = self._history.node(machine).word("train-arrival")
        return bool(word) and job.body.get("berth_boot") == word["boot"] and "arrival" in job.body

    def _train(self, heard: ReceivedMessage) -> None:
        body = heard.body
        berth = self._machine(heard, "train-arrival", body["berth_boot"]) if "arrival" in body else None
        if berth is None:
            return
        name, word, number = berth
        if _fits_train(body, word):
            return
        if word["boot"] != body["berth_boot"]:
            what = f"at {name} by boot {body['berth_boot']}, but it is boot {word['boot']} now"
        elif word["state"] != "at-rest":
            what = f"at {name}, whose train is {word['state']!r}"
        else:
            named = f"arrival {body['arrival']} reading {body['reading']}"
            what = f"by {named}; {name} is at arrival {word['arrival']} reading {word['reading']}"
        breach = heard.breach("SUP-13", f"orders a transfer {what}", since=number)
        self._doubts.append((name, body, breach))

    def _deck(self, heard: ReceivedMessage) -> None:
        body = heard.body
        shuttle = self._machine(heard, "shuttle-status", body["shuttle_boot"]) if "stop" in body else None
        if shuttle is None:
            return
        name, word, number = shuttle
        if _fits_deck(body, word):
            return
        now = f"{word['state']!r} at stop {word['stop']}"
        what = f"orders a transfer at stop {body['stop']} of {name}, which is {now}"
        self._doubts.append((name, body, heard.breach("SUP-13", what, since=number)))

    def _machine(self, heard: ReceivedMessage, message: str, boot: int) -> tuple[str, Body, int] | None:
        """The berth or shuttle that a transfer means: by its place, else by its boot, else the only one."""
        known = {
            name: node.words[message] for name, node in self._history.nodes.items() if message in node.words
        }
        names = {heard.body.get("from"), heard.body["to"]}
        if self._site is not None:
            places = {place.node for place in self._site.places.values() if place.name in names}
            known = {name: word for name, word in known.items() if name in places}
        elif len(known) > 1:
            known = {name: word for name, word in known.items() if word[0]["boot"] == boot or name in names}
        if len(known) != 1:
            return None
        name, (word, number, _) = next(iter(known.items()))
        return name, word, number


def _fits_train(order: Body, word: Body) -> bool:
    """Whether a berth's word is what a transfer names."""
    named = (order["berth_boot"], order["arrival"], order["reading"])
    return word["state"] == "at-rest" and named == (word["boot"], word["arrival"], word["reading"])


def _fits_deck(order: Body, word: Body) -> bool:
    """Whether a shuttle's word is what a transfer names."""
    return word["state"] == "at-place" and (order["shuttle_boot"], order["stop"]) == (
        word["boot"],
        word["stop"],
    )
