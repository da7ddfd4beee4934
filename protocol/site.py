"""The site: what one layout consists of, as every command reads it from `site.toml`.

Only shapes stand here; `protocol.site_file` reads and checks the file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class Encoding(StrEnum):
    """How a payload is written."""

    JSON = "json"
    CBOR = "cbor"


class PlaceKind(StrEnum):
    """What a place is."""

    STACK = "stack"
    TRACK = "track"
    DECK = "deck"


@dataclass(frozen=True, slots=True)
class Place:
    """Where boxes can be. Slot s is tier s % tiers of column s // tiers; tier 0 stands on the ground."""

    name: str
    kind: PlaceKind
    columns: int
    tiers: int = 1
    node: str = ""
    """The berth of a track, the shuttle of a deck, '' for a stack."""
    catches: int = 0
    """How far off to either side a box is still caught, in units of the crane's first axis; 0: not stated."""

    @property
    def slots(self) -> int:
        """Number of slots, all tiers counted."""
        return self.columns * self.tiers

    def below(self, slot: int) -> int | None:
        """The slot that carries `slot`, or None on the ground."""
        return slot - 1 if slot % self.tiers else None

    def above(self, slot: int) -> int | None:
        """The slot that stands on `slot`, or None on the top tier."""
        return slot + 1 if slot % self.tiers < self.tiers - 1 else None


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis of a crane; positions in `unit`, speed in units/s, acceleration in units/s^2."""

    name: str
    unit: str
    least: int
    most: int
    park: int
    speed: int
    acceleration: int
    home: int
    """Position of the home switch."""


@dataclass(frozen=True, slots=True)
class CranePlace:
    """How a crane finds the slots of one place: an axis position for every slot.

    On a track the first axis is counted from the train: table(reading) + slots[s][0]; `table` holds
    (rest reading, position of the first axis) pairs as measured, readings strictly increasing.
    On a deck the positions hold while the shuttle stands at `at`.
    """

    place: str
    slots: tuple[tuple[int, ...], ...]
    table: tuple[tuple[int, int], ...] = ()
    at: str = ""


@dataclass(frozen=True, slots=True)
class CraneSite:
    """What a crane has to know of its layout. The last axis is the hoist; `travel` is its safe height."""

    axes: tuple[Axis, ...]
    places: Mapping[str, CranePlace]
    load_sensor: bool
    travel: int
    job_timeout_ms: int = 60_000


@dataclass(frozen=True, slots=True)
class BerthSite:
    """What a berth has to know of its layout."""

    debounce_ms: int
    arming_timeout_ms: int
    end_timeout_ms: int
    clear_ms: int
    """Quiet time of both sensors after which a leaving train is gone."""
    tolerance: int
    """How far a train may stand from where its reading says, in units of the first crane axis."""
    approach_power: int = 100
    creep_power: int = 40
    arming_to_end: int = 0
    """Way of the end magnet from the arming sensor's firing to the end sensor, in 0.1 mm."""
    end_window: int = 0
    """Way over which the end sensor stays closed as the end magnet passes, in 0.1 mm."""


@dataclass(frozen=True, slots=True)
class ShuttleSite:
    """What a shuttle has to know of its layout. stop-1 is the sensor of the first stop, and so on."""

    stops: tuple[str, ...]
    debounce_ms: int
    run_timeout_ms: int
    load_sensor: bool = False


HOME_SENSORS = ("home-x", "home-y", "home-z")
"""Home switches of the first, second and third axis of a crane."""


@dataclass(frozen=True, slots=True)
class NodeSite:
    """One controller with its roles, and how it speaks."""

    name: str
    roles: tuple[str, ...]
    reads: str = "both"
    """json, cbor or both."""
    writes: Encoding = Encoding.CBOR
    qos: int = 1
    """Quality of service the node publishes with: 0 or 1."""
    buffer: int = 512
    """Receive buffer in bytes."""
    firmware: str = ""
    """The version that node-status has to carry; empty: the site file does not say."""
    keep_alive_s: int = 10
    crane: CraneSite | None = None
    berth: BerthSite | None = None
    shuttle: ShuttleSite | None = None
    digest: int = 0
    """CRC-32 of the node's part of the site file."""

    def sensors(self, role: str) -> tuple[str, ...]:
        """The sensors of one of its roles, in the order of the bits of `inputs` [MSG-14]; none for another role."""
        if role == "crane" and self.crane is not None:
            homes = HOME_SENSORS[: len(self.crane.axes)]
            return (*homes, "load") if self.crane.load_sensor else homes
        if role == "shuttle" and self.shuttle is not None:
            stops = tuple(f"stop-{number}" for number, _ in enumerate(self.shuttle.stops, start=1))
            return (*stops, "load") if self.shuttle.load_sensor else stops
        return ("arming", "end") if role == "berth" and self.berth is not None else ()

    @property
    def is_supervisor(self) -> bool:
        """Whether it supervises and has no machine."""
        return self.roles == ("supervisor",)


@dataclass(frozen=True, slots=True)
class RunsSite:
    """How recordings of the layout are cut into runs; what the words mean is the business of who cuts."""

    cut: str
    """supervisor, goal or jobs."""
    jobs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Site:
    """One layout."""

    name: str
    nodes: Mapping[str, NodeSite]
    places: Mapping[str, Place]
    runs: RunsSite | None = None

    def cranes_reaching(self, place: str) -> tuple[str, ...]:
        """Names of the cranes whose tables know `place`."""
        return tuple(
            node.name for node in self.nodes.values() if node.crane is not None and place in node.crane.places
        )

    def read_by_all(self) -> tuple[Encoding, ...]:
        """The encodings in which a message to all is read by every node: none where they differ [ENC-08]."""
        reads = {node.reads for node in self.nodes.values() if not node.is_supervisor}
        return tuple(one for one in Encoding if reads <= {one.value, "both"})

    def with_role(self, role: str) -> tuple[NodeSite, ...]:
        """The nodes that have `role`, in the order of the file."""
        return tuple(node for node in self.nodes.values() if role in node.roles)

    def place_of(self, node: str) -> Place | None:
        """The track of a berth or the deck of a shuttle."""
        return next((place for place in self.places.values() if place.node == node), None)
