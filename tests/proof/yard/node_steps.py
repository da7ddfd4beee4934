"""The steps of one node: the shipped controller over modelled machines, each pair of state and input done once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from protocol.counting import uptime_difference
from protocol.participant import Delivery
from protocol.site import Site
from reference_node.controller.controller import Controller
from reference_node.snapshot.canonical import Catalogue
from reference_node.snapshot.copies import freeze, thaw
from reference_node.snapshot.how import BASE_MS
from tests.proof.yard.chance import CHANGE, WITHOUT_CHANGE, Chance, ModelController
from tests.proof.yard.machines import ModelMachines
from tests.proof.yard.messages import Messages
from tests.proof.yard.uptimes import EXPIRY_MS, rebase_node
from tests.proof.yard.world import Accident, World

BEAT_MS = 10_000
"""From here every heartbeat is due."""

Deed = tuple[str, int, int]
"""accepted, moved, touched, done or claimed; boot and id."""


@dataclass(frozen=True, slots=True)
class NodeState:
    """One state of the node, and what the exploration asks of it."""

    frozen: bytes
    snapshot: Any
    count: int
    boot: int
    tokens: tuple[int, ...]
    """Those that the node keeps: of the claim that counts, of the hold obeyed last."""
    go_ms: int | None
    """After how long the machine or the job goes on by itself; None where it does not."""
    online: bool
    held: bool
    idle: bool
    moving: bool
    jammed: bool
    powered: bool
    settled: bool
    """Whether every sensor line is believed to be as it is; a debounce lets a few ms pass before."""


@dataclass(frozen=True, slots=True)
class NodeStep:
    """What came of one step."""

    after: int
    world: World
    said: tuple[int, ...]
    deeds: tuple[Deed, ...] = ()
    moved: bool = False
    wrong: str = ""


class NodeSteps:
    """Every step of the node of that name."""

    def __init__(
        self,
        site: Site,
        name: str,
        catalogue: Catalogue,
        messages: Messages,
        kind: type[Controller] = ModelController,
    ) -> None:
        self.site, self.name, self._catalogue, self._messages, self._kind = (
            site,
            name,
            catalogue,
            messages,
            kind,
        )
        self.states: list[NodeState] = []
        self._number: dict[Any, int] = {}
        self._done: dict[Any, NodeStep] = {}
        self._rebased: dict[int, int] = {}
        self.stepped = 0

    def first(self, world: World, uptime: int = 0) -> NodeStep:
        """The node switched on, not connected yet."""
        machines = ModelMachines(self.site, self.site.nodes[self.name], world)
        node = self._start(machines, 1, "power-on")
        node._uptime.count = uptime
        world = machines.world
        return NodeStep(self._keep(node, None), world, ())

    def step(self, number: int, world: World, what: tuple[Any, ...]) -> NodeStep:
        """Do `what` in a state."""
        key = (number, world, what)
        found = self._done.get(key)
        if found is None:
            found = self._step(number, world, what, took=CHANGE)
            if found.after == number and found.said:
                found = self._step(number, world, what, took=WITHOUT_CHANGE)
            self._done[key] = found
        return found

    def _step(self, number: int, world: World, what: tuple[Any, ...], *, took: int) -> NodeStep:
        """`took`: how far uptime goes on for what is said."""
        self.stepped += 1
        before = self.states[number]
        node = thaw(before.frozen)
        node.machines.world = world
        node._uptime.count += took
        job = node.job
        was = None if job is None else (job.id, job.state)
        mark = node.mark
        try:
            if what[0] == "reset":
                out = [node.will()] if node._online else []
                node = self._start(node.machines, node.boot + 1, "watchdog")
            else:
                out = self._do(node, what)
        except Accident as accident:
            return NodeStep(number, world, (), wrong=str(accident))
        except Exception as error:  # noqa: BLE001 - a step that fails is what is looked for
            return NodeStep(number, world, (), wrong=f"{self.name} fails: {error!r}")
        after_world = node.machines.world
        moved = node.machines.starts > 0
        deeds, wrong = _deeds(node, was, moved, touched=after_world != world)
        if what[0] == "deliver":
            order = self._messages[what[1]].body
            if order.get("act") == "claim" and node.mark > mark:
                deeds = (*deeds, ("claimed", node.boot, node.mark))
        said = tuple(self._messages.number(one) for one in out)
        return NodeStep(self._keep(node, number), after_world, said, deeds, moved, wrong)

    def rebased(self, number: int, world: World) -> int:
        """The state that differs in nothing but that the node begins to count its uptime again from 0."""
        if not self.states[number].count:
            return number
        found = self._rebased.get(number)
        if found is None:
            node = thaw(self.states[number].frozen)
            node.machines.world = world
            rebase_node(node)
            found = self._rebased[number] = self._keep(node, None)
        return found

    def _do(self, node: Any, what: tuple[Any, ...]) -> Any:
        match what:
            case ("deliver", message):
                one = self._messages[message].publication
                return node.receive(Delivery(one.topic, one.payload, one.qos), BASE_MS)
            case ("go", after_ms):
                return node.tick(BASE_MS + after_ms)
            case ("beat",):
                return node.tick(BASE_MS + BEAT_MS)
            case ("connect",):
                return node.connected(BASE_MS)
            case ("disconnect",):
                will = node.will()
                node.disconnected(BASE_MS)
                return [will]
        return self._befall(node, what)

    def _befall(self, node: Any, what: tuple[Any, ...]) -> Any:
        """What happens to node and machine beside the bus."""
        match what:
            case ("expire",):
                node._uptime.count += EXPIRY_MS
                return []
            case ("jam",):
                node.machines.jammed = True
                return []
            case ("power", on):
                node.machines.motor_power = on
                if not on:
                    node.machines.power_off(BASE_MS)
                return node.tick(BASE_MS)
            case ("take off",):
                node.machines.track.taken_off()
                return node.tick(BASE_MS)
            case ("fix",):
                node.machines.jammed = False
                node.machines.motor_power = True
                return node.tick(BASE_MS)
        raise AssertionError(what)

    def _start(self, machines: ModelMachines, boot: int, cause: str) -> Any:
        return self._kind(
            self.site,
            self.name,
            boot=boot,
            bench=False,
            machines=machines,  # type: ignore[arg-type]
            rng=Chance(0),  # type: ignore[arg-type]
            reset_cause=cause,
            started_ms=BASE_MS,
        )

    def _keep(self, node: Any, before: int | None) -> int:
        """The number of the state that `node` is in; its uptime goes on only where something has changed."""
        world = node.machines.world
        snapshot = self._catalogue.snapshot(node, node._now_ms)
        if (
            before is not None
            and self.states[before].snapshot == snapshot
            and self.states[before].boot == node.boot
        ):
            known = self.states[before]
            if node._uptime.count - known.count in (WITHOUT_CHANGE, CHANGE):
                return before
        count = node._uptime.count
        number = self._number.get((snapshot, count))
        if number is None:
            number = self._number[snapshot, count] = len(self.states)
            job = node.job
            frozen = freeze(node, self._catalogue)
            node.machines.world = world
            self.states.append(
                NodeState(
                    frozen,
                    snapshot,
                    count,
                    node.boot,
                    tuple(one for one in (node.claimant, node.hold_token) if one is not None),
                    _go_ms(node),
                    node._online,
                    node.held,
                    job is None or not job.is_open,
                    any(not machine.still for machine in node.machines.all),
                    node.machines.jammed,
                    node.machines.motor_power,
                    all(role.lines_due_ms is None for role in node.roles.values()),
                )
            )
        return number


def _go_ms(node: Any) -> int | None:
    """When something happens by itself, heartbeats aside."""
    if node.job is not None and node.job.state == "accepted" and not node.held:
        return 0
    due = [role.due_ms for role in node.roles.values()]
    event_us = node.machines.next_event_us()
    due.append(None if event_us is None else -(-event_us // 1000))
    found = min((time for time in due if time is not None), default=None)
    return None if found is None else max(0, found - BASE_MS)


def _is_late(node: Any, job: Any) -> bool:
    deadline = job.order.get("deadline")
    return deadline is not None and uptime_difference(node.uptime, deadline) > 0


def _deeds(
    node: Any, was: tuple[int, str] | None, moved: bool, *, touched: bool
) -> tuple[tuple[Deed, ...], str]:
    job = node.job
    deeds: list[Deed] = []
    if job is None:
        return (), f"{node.name} moves without an order" if moved else ""
    now = (job.id, job.state)
    open_before = was is not None and was[1] in ("accepted", "running")
    if was is None or was[0] != job.id or (not open_before and job.is_open):
        deeds.append(("accepted", job.order["boot"], job.id))
        if job.order["boot"] != node.boot:
            return tuple(
                deeds
            ), f"{node.name} accepts an order of boot {job.order['boot']} in boot {node.boot}"
    starts = was is not None and was[1] == "accepted" and job.state == "running"
    if (starts or (not open_before and job.is_open)) and _is_late(node, job):
        return tuple(deeds), f"{node.name} accepts or starts order {job.id} after its deadline"
    if moved:
        if not job.is_open and now == was:
            return tuple(deeds), f"{node.name} moves after its order has ended"
        deeds.append(("moved", job.order["boot"], job.id))
    if touched:
        deeds.append(("touched", job.order["boot"], job.id))
    if job.state == "done" and now != was:
        deeds.append(("done", job.order["boot"], job.id))
    return tuple(deeds), ""
