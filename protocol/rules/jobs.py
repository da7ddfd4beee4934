"""Orders and reports: what a node answers, in time, once, and from which state to which."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from protocol.counting import uptime_difference
from protocol.rules.order_history import KnownNode, KnownOrder, Name, OrderHistory, name_of
from protocol.rules.received import Body, Breach, ReceivedMessage
from protocol.specification import FINAL, OPEN, specification

ANSWER_GRACE_US = 800_000
"""What brokers and radios may add to the time in which a node answers."""
DOUBT_US = 10_000_000
"""How long to wait for a report that tells whether another one was lost."""
OVERTAKEN_US = 500_000
"""By so much an answer may be heard before its order: MQTT keeps the order of one topic and QoS alone."""
CARRIERS = frozenset({"train-arrival", "shuttle-status", "crane-status"})


class Jobs:
    """Judges reports and the job fields of state messages [ORD-01, 05, 06, 10, 12, 14, 15; HLD-03]."""

    def __init__(self, history: OrderHistory) -> None:
        self._history = history
        self._waiting: dict[tuple[str, Name], KnownOrder] = {}
        self._overdue: list[Breach] = []
        """Until the node's next report tells whether one before it was lost."""
        self._strays: list[tuple[str, Name, Breach]] = []
        """Reports on orders that were not heard, by node and name: until those had the time to be heard."""
        self._links: dict[str, tuple[int, int]] = {}
        """Boot and connection of each node."""
        self._held: list[Breach] = []
        """Jobs that were taken while held: until the node's next state tells whether one before it was lost."""

    def forget(self) -> None:
        """There is a gap in what was heard."""
        self._waiting.clear()
        self._overdue.clear()
        self._strays.clear()
        self._held.clear()

    def order(self, heard: ReceivedMessage, known: KnownOrder | None) -> Iterator[Breach]:
        """Take in an order, `known` if it was heard before."""
        body = heard.body
        if body["act"] == "hold":
            self._withdraw_resumes(heard.node)
        if "id" not in body or heard.node == specification().everyone:
            return
        if body["act"] == "cancel":
            target = self._history.node(heard.node).orders.get((body["boot"], body["ref"], False))
            if target is not None:
                target.acts.add("cancel")
        order = known or self._history.node(heard.node).orders[name_of(body)]
        order.answered = order.answered or self._overtaken(heard.node, name_of(body))
        if not order.answered:
            self._waiting.setdefault((heard.node, name_of(body)), order)
        yield from ()

    def _connected(self, heard: ReceivedMessage) -> None:
        """Over a new connection nothing is owed any more: the order, or the answer, may be lost with the last one."""
        link = heard.body["boot"], heard.body["link"]
        if heard.body["state"] != "on" or self._links.get(heard.node) == link:
            return
        self._links[heard.node] = link
        self._overdue = [one for one in self._overdue if one.node != heard.node]
        for key in [key for key in self._waiting if key[0] == heard.node]:
            self._waiting.pop(key)

    def _uptime_set(self, node: str) -> None:
        """Its uptime begins again: it does not tell any more what was said before what."""
        for order in self._history.node(node).orders.values():
            order.uptime = None

    def _overtaken(self, node: str, name: Name) -> bool:
        """Whether the answer to an order was heard before it."""
        before = len(self._strays)
        self._strays = [one for one in self._strays if one[:2] != (node, name)]
        return len(self._strays) < before

    def _withdraw_resumes(self, node: str) -> None:
        """Who holds a node again repeats no resume of it, so one that was lost on its way stays without a report."""
        for key, order in list(self._waiting.items()):
            if order.act == "resume" and node in (key[0], specification().everyone):
                del self._waiting[key]

    def hear(self, heard: ReceivedMessage) -> Iterator[Breach]:
        """Judge what a node says."""
        if heard.message == "node-status":
            self._connected(heard)
        if heard.message == "job-report":
            yield from self._settle(heard)
            if heard.body["act"] == "set-uptime":
                self._uptime_set(heard.node)
            if "id" in heard.body:
                yield from self._report(heard)
            return
        if heard.message not in CARRIERS:
            return
        for breach in [one for one in self._held if one.node == heard.node]:
            self._held.remove(breach)
            if not heard.lost:
                yield breach
        if "job" in heard.body:
            node = self._history.node(heard.node)
            order = node.orders.get((heard.body["boot"], heard.body["job"], False))
            if order is not None:
                yield from self._state(heard, node, order, heard.body["job_state"])

    def _report(self, heard: ReceivedMessage) -> Iterator[Breach]:
        body = heard.body
        node = self._history.node(heard.node)
        order = node.orders.get(name_of(body))
        self._answered(heard.node, node, body)
        if order is None:
            if not self._may_be_older(node, body):
                what = f"reports {body['act']} {body['state']} for order {body['id']}, which nobody gave"
                self._strays.append((heard.node, name_of(body), heard.breach("ORD-14", what)))
            return
        if body["act"] not in order.acts:
            what = f"reports act {body['act']!r} for an order to {order.act!r}"
            yield heard.breach("ORD-14", what, since=order.number)
        order.answered = True
        order.step = body.get("step", order.step)
        if body["state"] in OPEN and order.is_job:
            yield from self._taken(heard, node, order)
        if order.is_job:
            yield from self._state(heard, node, order, body["state"])
        else:
            order.state, order.state_us = body["state"], heard.at_us

    def _may_be_older(self, node: KnownNode, body: Body) -> bool:
        """Whether the order was given before anybody listened, or is only named by a cancel."""
        if node.refers_to(body["id"]):
            return True
        return node.first_id is None or body["id"] < node.first_id or body["order_boot"] != node.boot

    def _answered(self, name: str, node: KnownNode, body: Body) -> None:
        self._waiting.pop((name, name_of(body)), None)
        # A cancel is answered under the id of the job that it names.
        for key, order in list(self._waiting.items()):
            if key[0] == name and order.body.get("ref") == body["id"]:
                order.answered = True
                del self._waiting[key]

    def _taken(self, heard: ReceivedMessage, node: KnownNode, order: KnownOrder) -> Iterator[Breach]:
        body = heard.body
        if body["order_boot"] != body["boot"]:
            what = f"obeys an order for boot {body['order_boot']} in boot {body['boot']}"
            yield heard.breach("ORD-05", what, since=order.number)
        if order.state or body["state"] != "accepted":
            return  # it was taken before, where nobody heard it
        late = uptime_difference(body["uptime"], order.body["deadline"]) if "deadline" in order.body else 0
        if late > ANSWER_GRACE_US // 1000:
            what = f"takes a job {late} ms after its deadline"
            yield heard.breach("ORD-10", what, since=order.number)
        other = node.open_job()
        if other is not None and other is not order:
            what = f"takes {order.act} while its {other.act} is {other.state}"
            yield heard.breach("ORD-12", what, since=other.state_number)
        held_us = max((at for word, _, at in node.words.values() if word.get("held")), default=None)
        if held_us is not None and all(word.get("held", True) for word, _, _ in node.words.values()):
            self._held.append(
                heard.breach("HLD-03", f"takes {order.act} while it is held", since=order.number)
            )

    def _state(
        self, heard: ReceivedMessage, node: KnownNode, order: KnownOrder, state: str
    ) -> Iterator[Breach]:
        uptime = heard.body["uptime"]
        if order.uptime is not None and uptime_difference(uptime, order.uptime) < 0:
            return  # Overtaken on another topic: uptime orders what a node says.
        was = order.state
        order.uptime = uptime
        order.told += 1
        if state == was or (state == "refused" and was):
            return
        order.told = 1
        order.state, order.state_number, since = state, heard.number, order.state_number
        order.state_us = heard.at_us
        if was in FINAL:
            again = "ORD-06" if state in OPEN else "ORD-15"
            what = f"{order.act} was {was!r} and is {state!r} now: a final state was left"
            yield heard.breach(again, what, since=since)
        elif was == "running" and state == "accepted":
            yield heard.breach("ORD-15", f"{order.act} went from 'running' back to 'accepted'", since=since)

    def look(self, at_us: int, number: int) -> Iterator[Breach]:
        """Say which orders were not answered in time."""
        most_ms = specification().most_ms("answer")
        most_us = most_ms * 1000 + ANSWER_GRACE_US
        overdue = [key for key, order in self._waiting.items() if at_us - order.last_us > most_us]
        for key in overdue:
            order = self._waiting.pop(key)
            name = key[0]
            node = self._history.node(name)
            spoke = max((at for _, _, at in node.words.values()), default=0)
            if spoke < order.last_us:
                continue  # It says nothing at all; that is told elsewhere.
            heard_s = (at_us - order.last_us) / 1e6
            what = f"no report to {order.act} within {most_ms} ms (none was heard in {heard_s:.1f} s)"
            # Said once only, a resume may have been lost, and withdrawn by a hold that was lost too.
            note = order.act == "resume" and order.last_us == order.at_us
            self._overdue.append(Breach("ORD-01", what, at_us, number, name, order.number, note=note))
        while self._strays and at_us - self._strays[0][2].at_us > OVERTAKEN_US:
            yield self._strays.pop(0)[2]
        while self._overdue and at_us - self._overdue[0].at_us > DOUBT_US:
            yield self._overdue.pop(0)

    def _settle(self, heard: ReceivedMessage) -> Iterator[Breach]:
        """A report that follows the last without a gap: the one that is missing was never sent."""
        for breach in [one for one in self._overdue if one.node == heard.node]:
            self._overdue.remove(breach)
            yield replace(breach, note=breach.note or heard.lost)
