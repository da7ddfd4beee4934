"""Ten things that go wrong in harlow-basin, each planted in an otherwise good run.

The simulator logs when each begins to matter: when something happens that must not, or fails to happen when it
should. Three of them are those of the guide 'find the run that failed'.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from examples.yard_on_virtual_time import Fault, Yard
from protocol.codec import encode
from protocol.participant import Publication
from protocol.site import Encoding
from protocol.topics import Topic
from reference_node.machines.siding import ARMING_AT, survey_train
from reference_node.mechanism.train import Consist, Magnet
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.supervisor import Supervisor

SLOW = 0.97
LATE_MS = 20
"""How late an axis has to be before anybody could tell."""


@dataclass(frozen=True)
class WeaklyArmed(Consist):
    """A train whose arming magnet has come loose and lies too far from the reed."""

    @property
    def magnets(self) -> tuple[Magnet, ...]:
        """The usual ones without the first, which no reed feels any more."""
        return super().magnets[1:]


def weak_magnet(yard: Yard) -> None:
    """The arming magnet of the train is too weak: a coupling arms the berth in its place, too late."""
    machine = yard.machines["siding"].track
    assert machine is not None
    usual = survey_train(yard.site.nodes["siding"].berth.creep_power)  # type: ignore[union-attr]
    machine._trains = iter([WeaklyArmed(usual.locomotive, usual.wagons, usual.mass)] * 9)  # type: ignore[assignment]
    machine.track = machine._stage(yard.time.now_ms * 1000)
    train = machine.track.train

    def passes() -> bool:
        return train.front_at(machine.track.now_us) >= ARMING_AT + train.consist.arming_behind

    yard.when(passes, lambda: yard.begins("the arming magnet passes the arming reed and does not close it"))


def slow_axis(yard: Yard) -> None:
    """The first axis of crane north is 3 % slow."""
    crane = yard.machines["north"].crane
    assert crane is not None
    axis = crane.axes[0]
    usual = axis.limits
    # As with a motor short of voltage, every move takes 1/0.97 of its time.
    axis.limits = replace(
        usual,
        speed=usual.speed * SLOW,
        acceleration=usual.acceleration * SLOW**2,
        seek_speed=usual.seek_speed * SLOW,
        creep_speed=usual.creep_speed * SLOW,
    )
    move = axis.move_to

    def watched(target: int) -> None:
        way = abs(target - axis.true_position)
        move(target)
        if way <= usual.speed**2 / usual.acceleration:
            return  # Too short to come to speed.
        usual_ms = round(1000 * (way / usual.speed + usual.speed / usual.acceleration))
        late_ms = round(usual_ms / SLOW) - usual_ms
        if late_ms >= LATE_MS:
            yard.time.call_in(
                usual_ms, lambda: yard.begins(f"axis x of north is not there; {late_ms} ms late")
            )

    axis.move_to = watched  # type: ignore[method-assign]


class Reissuing(Supervisor):
    """Gives the first transfer that is done a second time, as a new order."""

    on_reissue: Callable[[], object] = staticmethod(lambda: None)
    reissued = told = False

    def _job_ended(self, node: str, sent: SentOrder) -> None:
        super()._job_ended(node, sent)
        if sent.act == "transfer" and sent.state == "done" and not self.reissued:
            self.reissued = True
            fields = {
                name: value
                for name, value in sent.body.items()
                if name not in ("act", "boot", "id", "deadline")
            }
            self.sessions[node].order("transfer", self.now_ms, **fields)

    def _orders_due(self) -> list[Publication]:
        due = super()._orders_due()
        if due and self.reissued and not self.told:
            self.told = True
            type(self).on_reissue()
        return due


def reissued_job(yard: Yard) -> None:
    """The supervisor gives a job that is done once more."""
    Reissuing.on_reissue = staticmethod(lambda: yard.begins("the supervisor gives a finished transfer again"))


def missed_pick(yard: Yard) -> None:
    """The spreader of crane south closes beside the box."""
    spreader = yard.machines["south"].crane.spreader  # type: ignore[union-attr]
    spreader.misses_to_come = 1
    yard.when(
        lambda: spreader.state == "closed", lambda: yard.begins("the spreader closes and holds nothing")
    )


def reset_in_transfer(yard: Yard) -> None:
    """Crane south loses power for a moment while a box hangs in it."""
    spreader = yard.machines["south"].crane.spreader  # type: ignore[union-attr]

    def fall() -> None:
        yard.begins("crane south is reset with a box in the air")
        yard.reset("south")

    yard.when(lambda: spreader.holds is not None, lambda: yard.time.call_in(900, fall))


def power_cut(yard: Yard) -> None:
    """Somebody presses the emergency stop of the shuttle while it runs."""
    machines = yard.machines["ferry"]

    def press() -> None:
        yard.begins("motor power of ferry is off")
        machines.cut_power()
        yard.bus.call(
            "ferry", lambda node, now_ms: node.tick(now_ms)
        )  # A board looks at that pin all the time.
        yard.time.call_in(8000, machines.restore_power)

    yard.when(lambda: machines.starts > 0, lambda: yard.time.call_in(1500, press))


def stray_hold(yard: Yard) -> None:
    """Somebody holds crane north and does not say so."""
    spreader = yard.machines["north"].crane.spreader  # type: ignore[union-attr]

    def hold() -> None:
        yard.begins("a stranger holds north")
        _publish(yard, "north", {"act": "hold"})

    yard.when(lambda: spreader.holds is not None, lambda: yard.time.call_in(300, hold))


def cut_off(yard: Yard) -> None:
    """The siding's radio is out of reach for a while."""
    controller = yard.controllers["siding"]
    tick = controller.tick

    def watched(now_ms: int) -> Sequence[Publication]:
        said = tick(now_ms)
        if said and yard.time.now_ms > 30_000 and not yard.log:
            yard.begins("siding speaks and is not heard")
        return said

    controller.tick = watched  # type: ignore[method-assign]
    yard.time.call_at(30_000, lambda: yard.bus.cut("siding", 25_000))


def bad_message(yard: Yard) -> None:
    """Somebody sends crane south half an order."""

    def send() -> None:
        yard.begins("a stranger sends south half an order")
        topic = str(Topic(yard.site.name, "south", "job-order"))
        yard.bus.publish(Publication(topic, b'{"act":"home","boot":', 1, retain=False), "stranger")

    yard.time.call_at(21_000, send)


def second_supervisor(yard: Yard) -> None:
    """Somebody else claims the shuttle in the middle of the run."""

    def claim() -> None:
        yard.begins("another supervisor claims ferry")
        node = yard.controllers["ferry"]
        _publish(yard, "ferry", {"act": "claim", "boot": node.boot, "id": 9 << 20})

    yard.time.call_at(12_000, claim)


def _publish(yard: Yard, node: str, body: dict[str, Any]) -> None:
    reads = yard.site.nodes[node].reads
    payload = encode("job-order", body, Encoding.JSON if reads == "json" else Encoding.CBOR)
    topic = str(Topic(yard.site.name, node, "job-order"))
    yard.bus.publish(Publication(topic, payload, 1, retain=False), "stranger")


@dataclass(frozen=True, slots=True)
class Planted:
    """A fault and the supervisor that it needs."""

    fault: Fault
    supervisor: type[Supervisor] = Supervisor

    @property
    def says(self) -> str:
        """What is wrong, in a sentence."""
        return (self.fault.__doc__ or "").strip()


FAULTS: dict[str, Planted] = {
    "weak-magnet": Planted(weak_magnet),
    "slow-axis": Planted(slow_axis),
    "reissued-job": Planted(reissued_job, Reissuing),
    "missed-pick": Planted(missed_pick),
    "reset-in-transfer": Planted(reset_in_transfer),
    "power-cut": Planted(power_cut),
    "stray-hold": Planted(stray_hold),
    "cut-off": Planted(cut_off),
    "bad-message": Planted(bad_message),
    "second-supervisor": Planted(second_supervisor),
}
