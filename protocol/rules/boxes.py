"""Where boxes are, by reports and yard maps: never in two places, never dropped, never gripped twice."""

from __future__ import annotations

from collections.abc import Iterator

from protocol.rules.order_history import KnownOrder, OrderHistory, name_of
from protocol.rules.received import NOTHING, Body, Breach, ReceivedMessage
from protocol.site import PlaceKind, Site

SETTLE_US = 2_000_000
"""Maps of two places are published one after the other: a box may stand in both for that long."""
PUTTING_DOWN = frozenset({"lower-to-drop", "release", "clear"})

Spot = tuple[str, int]


class Boxes:
    """Judges transfers, spreaders and yard maps [SUP-17, CRN-10, CRN-12]."""

    def __init__(self, history: OrderHistory, site: Site | None) -> None:
        self._history = history
        self._site = site
        self._spots: dict[str, tuple[Spot, int]] = {}
        """Box to where a finished transfer has put it, and the message that said so."""
        self._maps: dict[tuple[str, str], tuple[str, ...]] = {}
        self._doubles: dict[str, tuple[int, bool]] = {}
        """Box that maps show twice, since when, and whether that was told."""
        self._spreaders: dict[str, tuple[Body, int]] = {}

    def forget(self) -> None:
        """There is a gap in what was heard."""
        self._spots.clear()
        self._maps.clear()
        self._doubles.clear()
        self._spreaders.clear()

    def order(self, heard: ReceivedMessage, known: KnownOrder | None) -> Iterator[Breach]:
        """Judge a transfer against where its box is."""
        body = heard.body
        if body["act"] != "transfer" or known is not None:
            return
        if self._history.node(heard.node).word("node-status").get("bench"):
            return  # a tester puts its box back by hand, or orders what no supervisor would
        where = self._spots.get(body["box"])
        if where is not None and "from" in body and where[0] != (body["from"], body["from_slot"]):
            place, slot = where[0]
            what = (
                f"orders {body['box']} from {body['from']}/{body['from_slot']}, "
                f"but it was put on {place}/{slot}"
            )
            yield heard.breach("SUP-17", what, since=where[1])

    def hear(self, heard: ReceivedMessage) -> Iterator[Breach]:
        """Judge a report, a crane or a map."""
        if heard.message == "job-report" and heard.body["act"] == "transfer":
            yield from self._report(heard)
        elif heard.message == "crane-status":
            yield from self._spreader(heard)
        elif heard.message == "yard-map":
            self._map(heard)

    def _report(self, heard: ReceivedMessage) -> Iterator[Breach]:
        body = heard.body
        order = self._history.node(heard.node).orders.get(name_of(body))
        if order is None or order.act != "transfer":
            return
        box = order.body["box"]
        if body["state"] == "done":
            if body.get("load", "none") != "none":
                what = f"the transfer of {box} is done, but the spreader holds {body['load']!r}"
                yield heard.breach("CRN-10", what, since=order.number)
            self._spots[box] = ((order.body["to"], order.body["to_slot"]), heard.number)
        elif (body["state"] == "running" and body.get("step") == "grip") or body["state"] == "failed":
            self._spots.pop(box, None)
        if body.get("box", box) != box:
            yield heard.breach(
                "CRN-10", f"reports {body['box']} for the transfer of {box}", since=order.number
            )

    def _spreader(self, heard: ReceivedMessage) -> Iterator[Breach]:
        before, since = self._spreaders.get(heard.node, (NOTHING, 0))
        self._spreaders[heard.node] = (heard.body, heard.number)
        if heard.lost or not before:
            return
        opens = before["spreader"] == "closed" and heard.body["spreader"] in ("open", "moving")
        if not (opens and before["load"] == "box"):
            return
        job = self._history.node(heard.node).open_job()
        if job is None or job.act != "transfer":
            yield heard.breach(
                "CRN-12", "opens its spreader with a box in it and no job to put it down", since=since
            )
        elif job.step and job.step not in PUTTING_DOWN:
            yield heard.breach(
                "CRN-12", f"opens its spreader with a box in it at step {job.step!r}", since=since
            )
        else:
            yield from self._height(heard, job, since)

    def _height(self, heard: ReceivedMessage, job: KnownOrder, since: int) -> Iterator[Breach]:
        """Over a slot the hoist has to be at the slot's height: above it there is nothing under the box."""
        crane = self._site.nodes[heard.node].crane if self._site and heard.node in self._site.nodes else None
        place = crane.places.get(job.body["to"]) if crane else None
        slot = job.body["to_slot"]
        if place is None or slot >= len(place.slots):
            return
        wanted, hoist = place.slots[slot][-1], heard.body["axes"][-1][0]
        if abs(hoist - wanted) > self._tolerance():
            what = f"releases {job.body['box']} at hoist {hoist}, but {job.body['to']}/{slot} is at {wanted}"
            yield heard.breach("CRN-12", what, since=since)

    def _tolerance(self) -> int:
        assert self._site is not None
        tracks = [place.node for place in self._site.places.values() if place.kind is PlaceKind.TRACK]
        berths = [self._site.nodes[name].berth for name in tracks if name in self._site.nodes]
        return max((berth.tolerance for berth in berths if berth), default=3)

    def _map(self, heard: ReceivedMessage) -> None:
        self._maps[heard.node, heard.place] = tuple(heard.body["slots"])
        seen: dict[str, int] = {}
        for slots in self._maps.values():
            for box in slots:
                if box not in ("", "?"):
                    seen[box] = seen.get(box, 0) + 1
        double = {box for box, count in seen.items() if count > 1}
        self._doubles = {box: self._doubles.get(box, (heard.at_us, False)) for box in double}

    def look(self, at_us: int, number: int) -> Iterator[Breach]:
        """Say which boxes have stood in two places for too long."""
        for box, (since_us, told) in self._doubles.items():
            if not told and at_us - since_us > SETTLE_US:
                self._doubles[box] = (since_us, True)
                spots = [
                    f"{place}/{slot}"
                    for (_, place), slots in self._maps.items()
                    for slot, there in enumerate(slots)
                    if there == box
                ]
                node = next(iter(self._maps))[0]
                yield Breach("SUP-17", f"box {box} stands in {' and '.join(spots)}", at_us, number, node)
