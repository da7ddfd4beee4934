"""A crane: modes, reach, places, the table of a track, and the box in the air."""

from __future__ import annotations

from typing import Any

from conformance.case import case
from conformance.handling import (
    complete,
    crane_ready,
    crane_unhomed,
    cues_for,
    done,
    homes,
    reset_faults,
    settle,
)
from conformance.log import Message
from conformance.stand import Answer, Stand
from protocol.position_table import PositionTable
from protocol.site import Axis, CranePlace, CraneSite, NodeSite, PlaceKind, Site

CRANE = ("crane",)
BOX = "probe-box"
NOWHERE = "no-place"
AT_A_TRACK: dict[str, Any] = {"reading": None, "arrival": 7, "berth_boot": 4711}


def _tracks(site: Site, node: NodeSite) -> list[CranePlace]:
    places = node.crane.places.values() if node.crane else ()
    return [place for place in places if site.places[place.place].kind is PlaceKind.TRACK]


def _decks(site: Site, node: NodeSite) -> list[CranePlace]:
    places = node.crane.places.values() if node.crane else ()
    return [place for place in places if site.places[place.place].kind is PlaceKind.DECK]


def _stacks(site: Site, node: NodeSite) -> list[CranePlace]:
    places = node.crane.places.values() if node.crane else ()
    return [place for place in places if site.places[place.place].kind is PlaceKind.STACK]


def _has_track(site: Site, node: NodeSite) -> str:
    return "" if _tracks(site, node) else "the site file gives this crane no track"


def _has_deck(site: Site, node: NodeSite) -> str:
    return "" if _decks(site, node) else "the site file gives this crane no deck of a shuttle"


def _has_two_slots(site: Site, node: NodeSite) -> str:
    slots = [slot for place in _stacks(site, node) for slot in place.slots]
    return "" if len(slots) > 1 else "the site file gives this crane no stack of two slots"


def _has_no_load_sensor(_site: Site, node: NodeSite) -> str:
    return "the crane has a load sensor" if node.crane and node.crane.load_sensor else ""


def _has_load_sensor(_site: Site, node: NodeSite) -> str:
    return "" if node.crane and node.crane.load_sensor else "the crane has no load sensor"


def _crane(stand: Stand) -> CraneSite:
    assert stand.node.crane is not None
    return stand.node.crane


def _status(answer: Answer) -> dict[str, Any]:
    return dict(answer.body("crane-status"))


@case("CRN-01", "SAF-02", after=("orders-ask",), roles=CRANE, passive=True)
def crane_comes_up(stand: Stand) -> None:
    """A crane comes up 'unhomed' with no axis homed and no motor ever switched on.

    Judged from the first crane-status of every boot whose first connection was seen: a crane that was
    already at work when the kit came cannot be judged, so switch it on after the kit.
    """
    seen = 0
    for first in _first_of_boot(stand):
        seen += 1
        body = first.body
        stand.check(body["mode"] == "unhomed", "CRN-01", "mode 'unhomed' at first", body["mode"], first)
        homed = [axis[2] for axis in body["axes"]]
        stand.check(not any(homed), "CRN-01", "no axis homed at first", homed, first)
    stand.need(seen > 0, "the crane had started before the kit; switch it on once the kit waits for it")


def _first_of_boot(stand: Stand) -> list[Message]:
    """The first crane-status of each boot of which the first connection was seen."""
    first_links = {
        m.body["boot"] for m in stand.log.sent("node-status") if m.body and m.body.get("link") == 1
    }
    firsts: dict[int, Message] = {}
    for message in stand.log.sent("crane-status"):
        if message.body and message.body["boot"] in first_links:
            firsts.setdefault(message.body["boot"], message)
    return list(firsts.values())


@case("CRN-02", after=("orders-ask",), roles=CRANE, passive=True)
def crane_modes(stand: Stand) -> None:
    """A crane changes its mode only as the table of crane modes allows.

    Judged from every two crane-status messages that follow each other in a boot.
    """
    table = stand.spec.tables["crane"]
    before: dict[int, str] = {}
    for message in stand.log.sent("crane-status"):
        if not message.body:
            continue
        boot, mode = message.body["boot"], message.body["mode"]
        old = before.get(boot, mode)
        stand.check(table.allows(old, mode), "CRN-02", f"a mode that may follow {old!r}", mode, message)
        before[boot] = mode


@case("CRN-03", "ORD-20", after=("claim-raises",), roles=CRANE)
def crane_unhomed_refuses(stand: Stand) -> None:
    """A crane that is not homed refuses transfer, park and jog with 'mode' and moves nothing.

    Sends one of each, all of them within reach and at known places.
    """
    before = crane_unhomed(stand)
    stand.refused(stand.order("park"), "mode", "CRN-03")
    stand.refused(stand.order("jog", target=[axis.park for axis in _crane(stand).axes]), "mode", "CRN-03")
    stacks = _stacks(stand.site, stand.node)
    if stacks:
        sent = stand.order(
            "transfer", from_=stacks[0].place, from_slot=0, to=stacks[0].place, to_slot=0, box=BOX
        )
        stand.refused(sent, "mode", "CRN-03")
    after = stand.unmoved(before, "CRN-03")
    mode = _status(after)["mode"]
    stand.check(mode == "unhomed", "CRN-01", "still 'unhomed'", mode, after.report)


@case("CRN-01", "CRN-11", "ORD-16", after=("claim-raises",), roles=CRANE, moves=True)
def crane_homes(stand: Stand) -> None:
    """A home order ends 'done' only when every axis is homed, and the crane is then 'ready'.

    Starts from 'unhomed' and orders home. On the bench one home switch is kept back at first: the job must
    not be done before it has closed.
    """
    before = crane_unhomed(stand)
    axes = _status(before)["axes"]
    stand.check(not any(axis[2] for axis in axes), "CRN-11", "no axis homed", axes, before.report)
    sent = stand.order("home")
    report = stand.report(sent)
    stand.check(report.body["state"] != "refused", "CRN-01", "home accepted", dict(report.body), report)
    if stand.on_bench:
        *first, last = homes(stand, True)
        if first:
            stand.stimulate(*first)
            stand.watch(stand.stretched(300))
        early = _status(stand.ask())
        homed = [axis[2] for axis in early["axes"]]
        stand.check(
            not all(homed) and early["mode"] == "homing", "CRN-11", "'homing' until the last switch", early
        )
        stand.stimulate(last)
    final = complete(stand, sent)
    stand.check(final.body["state"] == "done", "ORD-16", "home 'done'", dict(final.body), final)
    after = stand.ask()
    status = _status(after)
    fits = status["mode"] == "ready" and all(axis[2] for axis in status["axes"])
    stand.check(fits, "ORD-16", "'ready' with every axis homed", status, after.report)


@case("CRN-04", after=("crane-homes",), roles=CRANE, moves=True)
def crane_reach(stand: Stand) -> None:
    """A target outside the limits of any axis is refused 'reach', and so is one for too many or too few axes.

    Orders jogs one unit and, at random, further beyond each end of each axis, and with one axis left out.
    """
    before = crane_ready(stand)
    axes = _crane(stand).axes
    parked = [axis.park for axis in axes]
    for number, axis in enumerate(axes):
        for beyond in _beyond(axis, stand.rng.randrange(2, 2000)):
            target = [*parked[:number], beyond, *parked[number + 1 :]]
            stand.refused(stand.order("jog", target=target), "reach", "CRN-04")
    if len(axes) > 1:
        stand.refused(stand.order("jog", target=parked[:-1]), "reach", "CRN-04")
    if len(axes) < 3:
        stand.refused(stand.order("jog", target=[*parked, 0]), "reach", "CRN-04")
    stand.unmoved(before, "CRN-04")


def _beyond(axis: Axis, far: int) -> list[int]:
    return [max(axis.least - far, -32768), axis.least - 1, axis.most + 1, min(axis.most + far, 32767)]


@case("CRN-05", after=("crane-homes",), roles=CRANE, moves=True, applies=_has_two_slots)
def crane_place(stand: Stand) -> None:
    """A transfer from or to a place or slot that the crane does not know is refused 'place'.

    Orders transfers with an unknown place and with a slot one behind the last, as source and as target.
    Nothing moves.
    """
    before = crane_ready(stand)
    stack = _stacks(stand.site, stand.node)[0]
    behind = len(stack.slots)
    good = {"from_": stack.place, "from_slot": 0, "to": stack.place, "to_slot": 1, "box": BOX}
    for wrong in (
        {"from_": NOWHERE},
        {"to": NOWHERE},
        {"from_slot": behind},
        {"to_slot": behind},
        {"to_slot": 255},
    ):
        stand.refused(stand.order("transfer", **(good | wrong)), "place", "CRN-05")
    stand.unmoved(before, "CRN-05")


@case("CRN-07", after=("crane-homes",), roles=CRANE, moves=True, applies=_has_track)
def crane_track_without_reading(stand: Stand) -> None:
    """A transfer at a berth that names no reading is refused 'place'.

    Orders one from the track without reading, arrival and boot of the berth. Nothing moves.
    """
    before = crane_ready(stand)
    track = _tracks(stand.site, stand.node)[0].place
    target = _other(stand, track)
    sent = stand.order(
        "transfer", from_=track, from_slot=0, to=target, to_slot=0, box=BOX, **_stop(stand, target)
    )
    stand.refused(sent, "place", "CRN-07")
    stand.unmoved(before, "CRN-07")


@case("CRN-07", after=("crane-homes",), roles=CRANE, moves=True, applies=_has_deck)
def crane_deck_without_stop(stand: Stand) -> None:
    """A transfer at a shuttle that names no stop is refused 'place'.

    Orders one from a stack to the deck without stop and boot of the shuttle. Nothing moves.
    """
    before = crane_ready(stand)
    deck = _decks(stand.site, stand.node)[0].place
    source = next((place.place for place in _stacks(stand.site, stand.node)), deck)
    sent = stand.order("transfer", from_=source, from_slot=0, to=deck, to_slot=0, box=BOX)
    stand.refused(sent, "place", "CRN-07")
    stand.unmoved(before, "CRN-07")


@case("CRN-06", after=("crane-homes",), roles=CRANE, moves=True, applies=_has_track)
def crane_outside_table(stand: Stand) -> None:
    """A rest reading outside the measured table is refused 'outside-table'.

    Orders transfers from the track with readings one below, one above and at random beyond the table's ends.
    """
    before = crane_ready(stand)
    place = _tracks(stand.site, stand.node)[0]
    table = PositionTable.of(place.table)
    target = _other(stand, place.place)
    far = stand.rng.randrange(2, 3000)
    for reading in (table.low - 1, table.high + 1, table.low - far, table.high + far):
        fields = AT_A_TRACK | {"reading": reading} | _stop(stand, target)
        sent = stand.order(
            "transfer", from_=place.place, from_slot=0, to=target, to_slot=0, box=BOX, **fields
        )
        stand.refused(sent, "outside-table", "CRN-06")
    stand.unmoved(before, "CRN-06")


@case("CRN-06", after=("crane-outside-table",), roles=CRANE, moves=True, applies=_has_track)
def crane_table(stand: Stand) -> None:
    """A reading between two measured ones sends the crane between their positions, on the straight line.

    Orders a transfer from the track with a random reading inside the table and looks at the target of the
    first axis on the way to the pick; then cancels it before anything is picked. Rounding may go either
    way.
    """
    place = _tracks(stand.site, stand.node)[0]
    table = PositionTable.of(place.table)
    target = _other(stand, place.place)
    for _ in range(2):
        crane_ready(stand)
        reading = stand.rng.randrange(table.low, table.high + 1)
        slot = stand.rng.randrange(len(place.slots))
        fields = AT_A_TRACK | {"reading": reading} | _stop(stand, target)
        sent = stand.order(
            "transfer", from_=place.place, from_slot=slot, to=target, to_slot=0, box=BOX, **fields
        )
        expected = table.position(reading) + place.slots[slot][0]
        seen = _first_targets(stand, sent.before)
        stand.check(
            any(abs(x - expected) <= 1 for x in seen),
            "CRN-06",
            f"a target of {expected} for reading {reading}, slot {slot}",
            f"targets {seen}",
        )
        stand.order("cancel", ref=sent.id)
        stand.ask()


def _first_targets(stand: Stand, after: int) -> list[int]:
    """The targets of the first axis from an order on until the crane would lower to pick."""

    def lowers(message: Message) -> bool:
        return message.name == "job-report" and message.body.get("step") in ("lower-to-pick", "grip")

    def settled() -> bool:
        return bool(targets()) and any(lowers(m) for m in stand.log.sent(after=after))

    def targets() -> list[int]:
        return list(
            dict.fromkeys(m.body["axes"][0][1] for m in stand.log.sent("crane-status", after) if m.body)
        )

    stand.bench.wait(settled, stand.stretched(_crane(stand).job_timeout_ms))
    return targets()


@case("CRN-08", after=("crane-homes",), roles=CRANE, moves=True, applies=_has_two_slots)
def crane_empty_spreader(stand: Stand) -> None:
    """A transfer from the spreader is refused 'load' while the spreader holds nothing.

    Orders a transfer without 'from'. Nothing moves.
    """
    before = crane_ready(stand)
    stack = _stacks(stand.site, stand.node)[0]
    sent = stand.order("transfer", to=stack.place, to_slot=0, box=BOX)
    stand.refused(sent, "load", "CRN-08")
    stand.unmoved(before, "CRN-08")


@case("CRN-10", "CRN-11", "ORD-16", after=("crane-homes",), roles=CRANE, moves=True, applies=_has_two_slots)
def crane_transfer(stand: Stand) -> None:
    """A transfer picks the box, carries it and sets it down, and its reports say so on the way.

    Orders a transfer between two slots of a stack. From the grip to the release every report names the box
    and says that it is held; at the end the spreader holds nothing and the crane is 'ready' where it was
    sent. In service a box has to stand in slot 0 of the first stack.
    """
    crane_ready(stand)
    stack = _stacks(stand.site, stand.node)[0]
    sent = stand.order("transfer", from_=stack.place, from_slot=0, to=stack.place, to_slot=1, box=BOX)
    final = complete(stand, sent)
    said = f"{final.body['state']} {final.body.get('reason', '')}".strip()
    stand.check(final.body["state"] == "done", "ORD-16", "transfer 'done'", said, final)
    reports = [m for m in stand.log.sent("job-report", sent.before) if m.body.get("id") == sent.id]
    held = [m for m in reports if m.body.get("step") in ("lift", "travel-to-drop", "lower-to-drop")]
    stand.check(bool(held), "CRN-10", "reports between grip and release", "none", final)
    for report in held:
        told = (report.body.get("box"), report.body.get("load"))
        stand.check(told == (BOX, "box"), "CRN-10", f"box {BOX!r} and load 'box'", told, report)
    after = stand.ask()
    status = _status(after)
    stand.check(status["load"] == "none", "CRN-10", "load 'none'", status["load"], after.report)
    stand.check(status["mode"] == "ready", "CRN-11", "mode 'ready'", status["mode"], after.report)
    _arrived(stand, after)


@case(
    "CRN-08",
    "ORD-17",
    after=("crane-transfer",),
    roles=CRANE,
    moves=True,
    mode="bench",
    applies=_has_load_sensor,
)
def crane_cancel_too_late(stand: Stand) -> None:
    """A cancel after the grip is answered 'running' and 'too-late', and the transfer is done.

    Orders a transfer, cancels it as soon as a report says that the box is lifted, and brings it to its end.
    """
    crane_ready(stand)
    stack = _stacks(stand.site, stand.node)[0]
    sent = stand.order("transfer", from_=stack.place, from_slot=0, to=stack.place, to_slot=1, box=BOX)
    _until_lifted(stand, sent)
    cancel = stand.order("cancel", ref=sent.id)
    report = stand.report(cancel)
    told = (report.body["state"], report.body.get("reason"))
    stand.check(told == ("running", "too-late"), "ORD-17", "'running' and 'too-late'", told, report)
    final = complete(stand, sent, cues=cues_for(stand, sent)[1:])
    stand.check(final.body["state"] == "done", "ORD-17", "the transfer 'done'", final.body["state"], final)


@case(
    "CRN-08",
    "FLT-05",
    after=("crane-transfer",),
    roles=CRANE,
    moves=True,
    mode="bench",
    applies=_has_load_sensor,
)
def crane_box_in_the_air(stand: Stand) -> None:
    """A box that hangs in the spreader after a fault is set down by a transfer that names no 'from'.

    Takes the motor power away while a box is carried, gives it back, resets the fault with 'box' found and
    homes. A transfer with 'from' is then refused 'load'; one without 'from' sets the box down.
    """
    crane_ready(stand)
    stack = _stacks(stand.site, stand.node)[0]
    fields: dict[str, Any] = {
        "from_": stack.place,
        "from_slot": 0,
        "to": stack.place,
        "to_slot": 1,
        "box": BOX,
    }
    sent = stand.order("transfer", **fields)
    _until_lifted(stand, sent)
    stand.stimulate(("motor-power", False, 0), ("motor-power", True, 200))
    failed = complete(stand, sent, cues=())
    stand.check(failed.body["state"] == "failed", "FLT-02", "'failed'", failed.body["state"], failed)
    stand.watch(stand.stretched(300))
    reset_faults(stand, found="box")
    done(stand, "home")
    load = _status(stand.ask())["load"]
    stand.check(load == "box", "CRN-08", "load 'box'", load)
    stand.refused(stand.order("transfer", **fields), "load", "CRN-08")
    down = stand.order("transfer", to=stack.place, to_slot=1, box=BOX)
    final = complete(stand, down, cues=cues_for(stand, down)[1:])
    stand.check(final.body["state"] == "done", "CRN-08", "the transfer 'done'", dict(final.body), final)
    load = _status(stand.ask())["load"]
    stand.check(load == "none", "CRN-10", "load 'none'", load)


@case("FLT-02", after=("crane-transfer",), roles=CRANE, moves=True, mode="bench", applies=_has_load_sensor)
def crane_pick_missed(stand: Stand) -> None:
    """A spreader that closes on nothing fails the transfer with 'pick-missed'.

    Orders a transfer and leaves the load sensor open at the grip.
    """
    crane_ready(stand)
    stack = _stacks(stand.site, stand.node)[0]
    sent = stand.order("transfer", from_=stack.place, from_slot=0, to=stack.place, to_slot=1, box=BOX)
    final = complete(stand, sent, cues=())
    stand.check(final.body["state"] == "failed", "FLT-02", "'failed'", final.body["state"], final)
    answer = stand.ask()
    active = answer.body("fault").get("active", [])
    stand.check("pick-missed" in active, "FLT-02", "'pick-missed' active", active, answer.report)
    mode = _status(answer)["mode"]
    stand.check(mode == "faulted", "FLT-02", "mode 'faulted'", mode, answer.report)


@case("CRN-11", "ORD-16", after=("crane-homes",), roles=CRANE, moves=True)
def crane_parks(stand: Stand) -> None:
    """A park order ends 'done' at the parking position of the site file.

    Orders park and compares every axis with the site file; target and position are equal.
    """
    crane_ready(stand)
    done(stand, "park")
    answer = stand.ask()
    _arrived(stand, answer)
    where = [axis[0] for axis in _status(answer)["axes"]]
    parked = [axis.park for axis in _crane(stand).axes]
    stand.check(where == parked, "ORD-16", f"axes at {parked}", where, answer.report)


@case("CRN-11", "ORD-16", after=("crane-homes",), roles=CRANE, moves=True)
def crane_jogs(stand: Stand) -> None:
    """A jog ends 'done' with every axis at the target that was ordered.

    Orders a jog to a random position inside the limits and back, and compares.
    """
    crane_ready(stand)
    target = [stand.rng.randint(*_near(axis)) for axis in _crane(stand).axes]
    sent = stand.order("jog", target=target)
    final = complete(stand, sent)
    stand.check(final.body["state"] == "done", "ORD-16", "jog 'done'", dict(final.body), final)
    answer = stand.ask()
    _arrived(stand, answer)
    where = [axis[0] for axis in _status(answer)["axes"]]
    stand.check(where == target, "ORD-16", f"axes at {target}", where, answer.report)


def _near(axis: Axis) -> tuple[int, int]:
    """A quarter of the axis around its parking position: enough to see, and soon done."""
    reach = (axis.most - axis.least) // 4
    return max(axis.least, axis.park - reach), min(axis.most, axis.park + reach)


@case("CRN-09", after=("orders-ask",), roles=CRANE, restarts=True, applies=_has_no_load_sensor)
def crane_load_unsure(stand: Stand) -> None:
    """After a reset a crane without a load sensor says 'load-unsure' until a person settles it.

    Resets the crane: load is 'unsure' and the fault 'load-unsure' is active. reset-fault with 'none' found
    ends both.
    """
    mark = stand.log.end
    stand.bench.restart()
    stand.wait_for(lambda m: m.from_node and m.name == "crane-status", stand.limit_ms("reconnect"), mark)
    settle(stand)
    answer = stand.ask()
    told = (_status(answer)["load"], "load-unsure" in answer.body("fault").get("active", []))
    stand.check(
        told == ("unsure", True), "CRN-09", "load 'unsure' and 'load-unsure' active", told, answer.report
    )
    reset_faults(stand, found="none")
    answer = stand.ask()
    told = (_status(answer)["load"], "load-unsure" in answer.body("fault").get("active", []))
    stand.check(told == ("none", False), "CRN-09", "load 'none' and no 'load-unsure'", told, answer.report)


def _arrived(stand: Stand, answer: Answer) -> None:
    axes = _status(answer)["axes"]
    stand.check(all(a[0] == a[1] for a in axes), "CRN-11", "position and target equal", axes, answer.report)


def _until_lifted(stand: Stand, sent: Any) -> None:
    """Play the grip and wait until a report says that the box is lifted. Raises Unclear where none does."""
    gripped = cues_for(stand, sent)[0]
    first = stand.wait_for(gripped.wanted, stand.stretched(_crane(stand).job_timeout_ms), sent.before)
    stand.need(first is not None, "the transfer did not come to its grip")
    stand.stimulate(*gripped.inputs)
    lifted = stand.wait_for(
        lambda m: m.is_report("transfer", order=sent.id) and m.body.get("step") in ("lift", "travel-to-drop"),
        stand.stretched(_crane(stand).job_timeout_ms),
        sent.before,
    )
    stand.need(lifted is not None, "the transfer did not come to its lift")


def _other(stand: Stand, place: str) -> str:
    """A place to carry to: a stack if there is one, else a deck."""
    known = _stacks(stand.site, stand.node) + _decks(stand.site, stand.node)
    return next((one.place for one in known), place)


def _stop(stand: Stand, place: str) -> dict[str, Any]:
    """What a transfer at a deck has to name."""
    on_deck = place in [one.place for one in _decks(stand.site, stand.node)]
    return {"stop": 3, "shuttle_boot": 4711} if on_deck else {}
