"""A simulated yard: nodes and machines over one truth, and a person who can go and look."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from random import Random

from protocol.guards import Order
from protocol.site import Site
from reference_node.controller.controller import Controller
from reference_node.machines.imperfect import ImperfectTrack
from reference_node.machines.node_machines import Machines
from reference_node.machines.siding import TrackMachine
from reference_node.machines.world import Slot, World
from reference_node.mechanism.train import Consist
from reference_node.scenario.scenario import Event, Train
from reference_node.supervisor.observe.boxes import Spot

MASS = {"usual": 1.0, "heavy": 1.3, "too-heavy": 400.0}
"""How many times the mass of the usual train each has."""


class WatchedWorld(World):
    """The truth, and a note of every box that was taken or set down, with the job that did it."""

    def __init__(
        self,
        site: Site,
        boxes: Mapping[Slot, str],
        yard: SimulatedYard,
        imperfect: Mapping[tuple[str, str], ImperfectTrack] | None = None,
    ) -> None:
        super().__init__(site, boxes, imperfect=imperfect)
        self._yard = yard
        self.deeds: dict[tuple[str, int, int, str], int] = {}
        """(crane, boot, order id, take or put) to how often."""

    def take(self, crane: str, position: Sequence[float]) -> None:
        """The box there hangs in the spreader now."""
        self._note(crane, "take")
        super().take(crane, position)

    def put(self, crane: str, position: Sequence[float], box: str) -> None:
        """The spreader let go of `box` there."""
        self._note(crane, "put")
        super().put(crane, position, box)

    def _note(self, crane: str, deed: str) -> None:
        controller = self._yard.controllers.get(crane)
        job = controller.job if controller is not None else None
        if controller is not None and job is not None:
            key = (crane, controller.boot, job.id, deed)
            self.deeds[key] = self.deeds.get(key, 0) + 1


class SimulatedYard:
    """Machines that outlive their controllers, trains that are put on as they are let in, boxes as they really are."""

    def __init__(
        self,
        site: Site,
        contents: Mapping[str, Sequence[str]],
        trains: Sequence[Train],
        rng: Random,
        now_ms: int,
        *,
        boots: Random | None = None,
        imperfect: Mapping[tuple[str, str], ImperfectTrack] | None = None,
    ) -> None:
        """`rng` is the chance of the machines; the first boot of each node comes from `boots`, else from `rng` too.

        `imperfect`: what the mechanisms do between a crane and a track, by both their names.
        """
        self.site, self.rng = site, rng
        self._boots = boots or rng
        boxes = {(place, slot): box for place, row in contents.items() for slot, box in enumerate(row) if box}
        self.controllers: dict[str, Controller] = {}
        self.truth = WatchedWorld(site, boxes, self, imperfect)
        self.machines = {
            node.name: Machines(node, self.truth, rng, now_ms=now_ms)
            for node in site.nodes.values()
            if not node.is_supervisor
        }
        self.meddled = False
        """Whether somebody did what nobody told the supervisor, so that it may believe what is not so."""
        self._trains: dict[tuple[str, str], Train] = {}
        self._brings: dict[tuple[str, str], dict[int, str]] = {}
        for train in trains:
            self.expect_train(train)
        self._on_track: dict[str, str] = {}
        self._leaving: set[str] = set()

    # ------------------------------------------------------------ nodes
    def controller(self, name: str, now_ms: int) -> Controller:
        """Switch a node on, for the first time or again: another boot, and nothing is remembered."""
        before = self.controllers.get(name)
        boot = (before.boot + 1) % 65_536 if before is not None else self._boots.getrandbits(16)
        controller = _StagedController(
            self.site,
            name,
            boot=boot,
            bench=False,
            machines=self.machines[name],
            rng=self.rng,
            started_ms=now_ms,
        )
        controller.yard = self
        self.controllers[name] = controller
        return controller

    def moving(self) -> set[str]:
        """The nodes of which a machine moves now."""
        found = set()
        for name, machines in self.machines.items():
            parts = (machines.crane, machines.track, machines.shuttle)
            if any(part is not None and not part.still for part in parts):
                found.add(name)
        return found

    # ------------------------------------------------------------ trains
    def job_begins(self, node: str, order: Order) -> None:
        """A node has taken a job: before a train is let in, somebody has put it where trains wait."""
        track = self.machines[node].track
        if track is None:
            return
        if order["act"] == "depart":
            self._leaving.add(node)
        elif order["act"] == "admit":
            self._put_on(node, track, str(order.get("train", "")))

    def _put_on(self, berth: str, track: TrackMachine, name: str) -> None:
        place = self._place(berth)
        self.truth.depart(place)
        train = self._trains.get((berth, name))
        usual = track.next_train()
        track.put_on(_loaded(usual, train.pulls if train is not None else "usual"), name)
        for slot, box in self._brings.pop((berth, name), {}).items():
            if box:
                self.truth.boxes[place, slot] = box
        self._on_track[berth] = name
        self._leaving.discard(berth)

    def take_off(self, berth: str, *, swap_locomotive: bool) -> None:
        """A person takes the train off: one that was leaving is gone, another waits to come again, loaded as it is."""
        track, name = self.machines[berth].track, self._on_track.pop(berth, "")
        assert track is not None
        place = self._place(berth)
        if berth in self._leaving:
            self.truth.depart(place)
        aside = {slot: box for (where, slot), box in self.truth.boxes.items() if where == place}
        for slot in aside:
            del self.truth.boxes[place, slot]
        self._brings[berth, name] = aside
        if swap_locomotive and (berth, name) in self._trains:
            self._trains[berth, name] = replace(self._trains[berth, name], pulls="usual")
        track.take_off()

    def _place(self, berth: str) -> str:
        place = self.site.place_of(berth)
        assert place is not None
        return place.name

    # ------------------------------------------------------------ looking
    def really(self, place: str) -> tuple[str, ...]:
        """What really stands in the slots of a place; nothing on a track that no train stands on."""
        known = self.site.places[place]
        track = self.machines[known.node].track if known.node else None
        if track is not None and track.is_waiting:
            return ("",) * known.slots
        return tuple(self.truth.boxes.get((place, slot), "") for slot in range(known.slots))

    def gone(self) -> set[str]:
        """The boxes that have left with a train."""
        found = set(self.truth.gone)
        for place in self.site.places.values():
            track = self.machines[place.node].track if place.node else None
            if track is not None and track.is_waiting:
                found |= {box for (where, _), box in self.truth.boxes.items() if where == place.name}
        return found

    def push_to_stop(self, shuttle: str) -> str:
        """A person pushes the car to the stop that it is nearest to; gives that stop."""
        machine = self.machines[shuttle].shuttle
        assert machine is not None
        stops = machine.car.line.stops
        nearest = min(stops, key=lambda stop: abs(machine.car.true_position - stops[stop]))
        machine.car.push_to(nearest)
        return nearest

    def holds(self, crane: str) -> str:
        """The box that really hangs in a spreader, '' for none."""
        machine = self.machines[crane].crane
        return (machine.spreader.holds or "") if machine is not None else ""

    def everywhere(self) -> list[str]:
        """Every box, once for each place where it is: in slots, spreaders, on trains to come, gone."""
        aside = [box for boxes in self._brings.values() for box in boxes.values() if box]
        cranes = [self.holds(node.name) for node in self.site.with_role("crane")]
        return [*self.truth.boxes.values(), *filter(None, cranes), *aside, *self.truth.gone]

    def expect_train(self, train: Train) -> None:
        """Another train may come: it stands ready with what it brings."""
        name = (train.visit.berth, train.visit.train)
        self._trains[name] = train
        self._brings[name] = dict(enumerate(train.visit.brings))

    # ------------------------------------------------------------ meddling
    def meddle(self, event: Event, later: Callable[[int, Callable[[], object]], object]) -> None:
        """Do to the machines or boxes what `event` says; `later` calls something after so many ms."""
        if event.do == "jam":
            self.jam(event.node, event.axis)
        elif event.do == "box-by-hand" and event.to is not None:
            self.move_by_hand(event.box, event.to)
        elif event.do == "emergency-stop":
            self.machines[event.node].cut_power()
            later(event.for_ms, self.machines[event.node].restore_power)

    def move_by_hand(self, box: str, to: Spot) -> None:
        """Somebody carries a box from where it stands to another slot, and tells nobody."""
        start = next((slot for slot, name in self.truth.boxes.items() if name == box), None)
        if start is not None and (to.place, to.slot) not in self.truth.boxes:
            self.truth.boxes[to.place, to.slot] = self.truth.boxes.pop(start)
            self.meddled = True

    def jam(self, crane: str, axis: int) -> None:
        """The motor of an axis turns nothing any more, until somebody fixes it."""
        machine = self.machines[crane].crane
        if machine is not None:
            machine.jammed.add(axis)

    def fix(self, node: str) -> None:
        """Somebody frees what was jammed."""
        machine = self.machines[node].crane
        if machine is not None:
            machine.jammed.clear()


class _StagedController(Controller):
    """A node whose yard is told of every job that begins."""

    yard: SimulatedYard

    def begin(self, order: Order) -> None:
        """Take a job."""
        self.yard.job_begins(self.name, order)
        super().begin(order)


def _loaded(usual: Consist, pulls: str) -> Consist:
    """The usual locomotive with another mass behind it: it creeps as fast, but takes longer to get there."""
    return replace(usual, mass=usual.mass * MASS[pulls])
