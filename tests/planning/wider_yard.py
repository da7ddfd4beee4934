"""A yard with more of everything than harlow-basin: a third crane, a deck of two slots, three stops, two berths.

A stack that two cranes reach, and a box that can go by several ways: what nobody can be spared for differs.
"""

from __future__ import annotations

from random import Random

from protocol.site import Site
from protocol.site_file import read_site, scenario_text
from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.plan.goal_state import GoalState, Visit
from reference_node.supervisor.plan.search.durations import Durations
from reference_node.supervisor.plan.search.problem import Problem, spreader

CRANE = """
[nodes.west.crane]
load_sensor = true
travel = 0
""" + "".join(
    f"""
[[nodes.west.crane.axes]]
name = "{name}"
unit = "mm"
least = 0
most = {most}
home = 0
park = 0
speed = {speed}
acceleration = 700
"""
    for name, most, speed in (("x", 900, 350), ("y", 240, 300), ("z", 160, 200))
)
MORE = """
[places.stack-w]
kind = "stack"
columns = 2
tiers = 3

[places.branch]
kind = "track"
node = "branch"
columns = 2

[nodes.west]
roles = ["crane"]

[nodes.branch]
roles = ["berth"]

[nodes.branch.berth]
debounce_ms = 3
arming_timeout_ms = 30000
end_timeout_ms = 10000
clear_ms = 3000
tolerance = 3
arming_to_end = 1600
end_window = 140

[nodes.west.crane.places.ferry]
at = "quay-w"
slots = [[500, 30, 130], [500, 90, 130]]

[nodes.west.crane.places.stack-s]
slots = [[300, 60, 140], [300, 60, 110]]

[nodes.west.crane.places.stack-w]
slots = [[40, 60, 140], [40, 60, 110], [40, 60, 80], [140, 60, 140], [140, 60, 110], [140, 60, 80]]

[nodes.west.crane.places.branch]
table = [[102, 212], [221, 227], [405, 246]]
slots = [[0, 200, 140], [140, 200, 140]]
"""


def _wider() -> Site:
    text = scenario_text()
    for old, new in (
        ('node = "ferry"\ncolumns = 1', 'node = "ferry"\ncolumns = 2'),
        ("slots = [[480, 180, 130]]", "slots = [[480, 180, 130], [480, 120, 130]]"),
        ("slots = [[60, 180, 130]]", "slots = [[60, 180, 130], [60, 120, 130]]"),
        ('stops = ["quay-n", "quay-s"]', 'stops = ["quay-n", "quay-s", "quay-w"]'),
    ):
        assert text.count(old) == 1
        text = text.replace(old, new)
    return read_site((text + MORE + CRANE).encode(), "site.toml")


WIDER = _wider()
LABELS = ("A", "B", "C", "D", "E", "F")


def drawn(seed: int, site: Site = WIDER) -> Problem:
    """Boxes anywhere, some of them to come by train, some wanted elsewhere or by a train; trains at any point."""
    rng = Random(seed)
    cranes, berths = ([node.name for node in site.with_role(role)] for role in ("crane", "berth"))
    spots = [Spot(place.name, slot) for place in site.places.values() for slot in range(place.slots)]
    rng.shuffle(spots)
    left = list(LABELS)
    rng.shuffle(left)
    brought = {berth: left.pop() for berth in berths if rng.random() < 0.4}
    boxes = {label: spots.pop() for label in left[: rng.randint(1, len(left))]}
    if rng.random() < 0.3:
        boxes[rng.choice(sorted(boxes))] = spreader(rng.choice(cranes))
    wishes = [*boxes, *brought.values()]
    rng.shuffle(wishes)
    visits = []
    for berth in berths:
        for name in ("T", "U")[: rng.randint(0, 2)]:
            track = site.place_of(berth)
            assert track is not None
            late_enough = name == "U" or rng.random() < 0.5
            brings = ("",) * (track.slots - 1) + (brought.pop(berth, "") if late_enough else "",)
            takes = {rng.randrange(track.slots): wishes.pop()} if wishes and rng.random() < 0.5 else {}
            late = rng.choice([0, 30_000, 70_000])
            visits.append(Visit(name, berth, brings, takes, rng.random() < 0.7, late))
    spots += boxes.values()
    rng.shuffle(spots)
    kept = [spot for spot in spots if spot.place in site.places]
    wished = {box: kept.pop() for box in wishes[:3]}
    of = {berth: sum(visit.berth == berth for visit in visits) for berth in berths}
    stops = {
        node.name: rng.choice(node.shuttle.stops if node.shuttle else ())
        for node in site.with_role("shuttle")
        if rng.random() < 0.9
    }
    return Problem(
        site, GoalState(wished, visits), boxes, stops=stops,
        let_in={berth: rng.randint(0, count) for berth, count in of.items()},
        at_rest=frozenset(berth for berth in berths if rng.random() < 0.4),
        now_ms=rng.choice([0, 10_000]), durations=Durations(run_ms=rng.choice([2_000, 4_000])),
    )  # fmt: skip
