"""Stories of nodes that take rows of their tables which no scenario takes."""

from __future__ import annotations

from typing import Any

from protocol.codec import encode
from protocol.participant import Delivery
from protocol.site_file import scenario as site_of_the_kit
from protocol.specification import specification
from reference_node.controller.job import Job
from tests.reference_node.yard import NEVER, Yard, encoding_for, homed_crane

SITE = site_of_the_kit()
LONG_MS = 60_000


# ---------------------------------------------------------------- nodes
def jobs_of_a_node() -> None:
    """Every state of the job meets an order, its repeat, a cancel and a fault."""
    yard = Yard("ferry")
    yard.order("ferry", "cancel", id=901, ref=900)  # none, cancel
    yard.ids["ferry"] = 901
    yard.order("ferry", "run", to="quay-s")  # none, order unfit: it is lost
    yard.order("ferry", "reset-fault", faults=0, place="quay-n")
    yard.order("ferry", "hold")
    yard.order("ferry", "resume", holds=1)

    crane = homed_crane()
    _meet(crane)  # done
    _at_once(crane, "park")
    _meet(crane)
    _at_once(crane, "cancel", ref=_job(crane).id)
    _meet(crane)  # cancelled
    crane.order("north", "park")
    crane.run(100)
    _meet(crane)  # running
    crane.order("north", "cancel", ref=_job(crane).id)
    crane.run(LONG_MS)
    _at_once(crane, "park")
    crane.machines["north"].cut_power()  # accepted, halt
    crane.run(100)
    _meet(crane)  # failed
    crane.machines["north"].restore_power()
    crane.order("north", "reset-fault", faults=crane.nodes["north"].faults)
    crane.job("north", "home")  # failed, order
    _at_once(crane, "park")
    _at_once(crane, "cancel", ref=_job(crane).id)
    crane.job("north", "park")  # cancelled, order
    crane.ids["north"] += 1
    late = {"act": "park", "boot": crane.nodes["north"].boot, "id": crane.ids["north"]}
    crane.at_once("north", late | {"deadline": crane.nodes["north"].uptime + 500}, {"act": "hold"})
    crane.run(1_000)  # accepted, late
    crane.order("north", "resume", holds=crane.nodes["north"].holds)
    crane.order("north", "park")
    crane.run(100)
    crane.machines["north"].cut_power()  # running, halt
    crane.run(100)


def _job(yard: Yard) -> Job:
    job = yard.nodes["north"].job
    assert job is not None
    return job


def _at_once(yard: Yard, act: str, **fields: Any) -> None:
    """An order to the crane that comes in one packet with the one before: no time passes between them."""
    node = yard.nodes["north"]
    yard.ids["north"] += 1
    body = {"act": act, "boot": node.boot, "id": yard.ids["north"]}
    body |= ({"deadline": NEVER} if act in specification().jobs else {}) | fields
    payload = encode("job-order", body, encoding_for(node.node))
    node.receive(Delivery(f"yw1/{SITE.name}/north/job-order", payload, qos=1, retain=False), yard.now_ms)


def _meet(yard: Yard) -> None:
    """The job is repeated, and cancelled where it has ended; another order comes that is not fit."""
    job = _job(yard)
    _at_once(yard, **job.order)
    if not job.is_open:
        _at_once(yard, "cancel", ref=job.id)
    _at_once(yard, "jog", target=[30_000])


def modes_of_a_crane() -> None:
    """Every mode meets a fault, and those that can be left for it the switch for by-hand."""
    yard = Yard("north", boxes={("stack-n", 0): "B"})
    crane = yard.machines["north"].crane
    assert crane is not None

    def fault() -> None:
        yard.machines["north"].cut_power()
        yard.run(100)
        yard.machines["north"].restore_power()
        yard.run(100)

    def reset() -> None:
        yard.order("north", "reset-fault", faults=yard.nodes["north"].faults)

    def by_hand(so: bool) -> None:
        crane.by_hand = so
        yard.run(100)

    fault()  # unhomed
    fault()  # faulted
    by_hand(True)
    fault()  # manual: and it is taken by hand again
    by_hand(False)
    reset()
    by_hand(True)  # unhomed
    by_hand(False)
    yard.order("north", "home")
    yard.run(100)
    by_hand(True)  # is ignored as long as it homes
    yard.order("north", "cancel", ref=yard.ids["north"])
    yard.run(LONG_MS)
    by_hand(False)
    yard.order("north", "home")
    yard.run(100)
    fault()
    reset()
    yard.job("north", "home")
    yard.job("north", "home")  # from ready
    yard.job("north", "park")
    crane.jammed.add(0)
    yard.order("north", "jog", target=[axis.most for axis in SITE.nodes["north"].crane.axes])  # type: ignore[union-attr]
    yard.run(LONG_MS)
    assert yard.state("north", "crane-status")["mode"] == "faulted"
    crane.jammed.clear()
    reset()  # homed still
    fault()  # ready
    reset()
    yard.job("north", "home")
    by_hand(True)  # ready
    by_hand(False)


def states_of_a_berth() -> None:
    """Every arrival state meets the loss of power."""
    yard = Yard("siding")
    berth = yard.nodes["siding"].roles["berth"]

    def reset(**found: str) -> None:
        yard.order("siding", "reset-fault", faults=yard.nodes["siding"].faults, **found)

    def fault() -> None:
        yard.machines["siding"].cut_power()
        yard.run(100)
        yard.machines["siding"].restore_power()
        yard.run(100)

    def take_off() -> None:
        track = yard.machines["siding"].track
        assert track is not None
        track.take_off()
        reset(found="none")

    fault()  # lost
    reset()  # nothing said
    reset(found="none")
    fault()  # empty
    for state in ("admitting", "armed", "at-rest"):
        take_off()
        yard.order("siding", "admit")
        assert yard.until(lambda state=state: berth.state == state), state  # type: ignore[misc]
        fault()
    take_off()
    yard.job("siding", "admit")
    yard.order("siding", "depart")
    yard.run(100)
    fault()  # leaving
    take_off()
    yard.job("siding", "admit")
    yard.job("siding", "depart")


def states_of_a_shuttle() -> None:
    """A run past a stop that is not its target, and the loss of power in every state."""
    yard = Yard("ferry", bench=True)

    def power(on: bool) -> None:
        yard.order("ferry", "stimulus", inputs=[["motor-power", on, 0]])
        yard.run(100)

    def found(**what: str) -> None:
        power(True)
        yard.order("ferry", "reset-fault", faults=yard.nodes["ferry"].faults, **what)

    power(False)  # lost
    found()  # nothing said
    found(place="quay-n")
    power(False)  # at-place
    found(place="quay-n")
    yard.order("ferry", "run", to="quay-s")
    yard.run(100)
    yard.order("ferry", "stimulus", inputs=[["stop-1", True, 50], ["stop-1", False, 50]])
    yard.order("ferry", "stimulus", inputs=[["stop-2", True, 500]])
    yard.run(LONG_MS)
    yard.order("ferry", "run", to="quay-n")
    yard.run(100)
    yard.order("ferry", "cancel", ref=yard.ids["ferry"])  # too late
    power(False)  # moving
