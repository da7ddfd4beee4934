"""Evenings of one layout that is switched off in between: nodes are off for hours, wills are said, states are kept."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from datetime import datetime, timedelta
from pathlib import Path
from random import Random

from conformance.recordings.record.recorder import Recorder
from examples.faults import Planted
from examples.yard_on_virtual_time import AFTERWARDS_MS, BOXES, GOALS, LONGEST_MS, NODES, STARTED, Yard
from protocol.recording import Header
from protocol.site_file import scenario
from protocol.wire.virtual import VirtualBus
from protocol.wire.virtual_time import VirtualTime
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World
from reference_node.supervisor.supervisor import Supervisor

SHORTEST_PAUSE_MS, LONGEST_PAUSE_MS = 60_000, 40 * 60_000
WHOLE_MS = 5_000
"""In which all that is switched on by one switch has come up, in whatever order."""
SOUND = Planted(lambda yard: None)


def evenings(
    folder: Path, number: int, seed: int, planted: Mapping[int, Planted] | None = None, *, own_files: bool
) -> None:
    """Record so many evenings: in one file that the recorder writes all the time, or in a file for each of them."""
    site, time, rng = scenario(), VirtualTime(), Random(seed)
    bus = VirtualBus(time, Random(rng.random()))
    with ExitStack() as stack:
        recorder = None
        for evening in range(number):
            if recorder is None or own_files:
                if recorder is not None:
                    bus.detach(recorder.client_id, graceful=True)
                    recorder.close(time.now_ms)
                file = stack.enter_context((folder / f"{evening:02}.ywrec").open("wb", buffering=0))
                started = datetime.fromisoformat(STARTED) + timedelta(milliseconds=time.now_ms)
                recorder = Recorder(
                    file, Header(site.name, started.isoformat(), "virtual", "0"), lambda _: None
                )
                bus.attach(recorder)
                time.run_until(time.now_ms + 20)
            yard = Yard(site, time, bus, World(site, BOXES), rng, recorder)
            _evening(yard, (planted or {}).get(evening, SOUND))
            time.run_until(time.now_ms + rng.randrange(SHORTEST_PAUSE_MS, LONGEST_PAUSE_MS))
        assert recorder is not None
        recorder.close(time.now_ms)


def _evening(yard: Yard, planted: Planted) -> None:
    """Switch on, play the goals, and take the power from everything, by the main switch or one after the other."""
    time, rng = yard.time, yard.rng
    began = time.now_ms
    for name in NODES:
        yard.machines[name] = Machines(yard.site.nodes[name], yard.world, rng, now_ms=began)
    order = [*NODES, "yard"]
    rng.shuffle(order)
    at_once = rng.random() < 0.5
    for name in order:
        if name == "yard":
            yard.supervisor = planted.supervisor(
                yard.site, "yard", boot=rng.getrandbits(16), rng=Random(rng.random()), goals=GOALS,
                on_question=yard.person, started_ms=time.now_ms,
            )  # fmt: skip
            yard.bus.attach(yard.supervisor)
        else:
            yard.start(name, rng.getrandbits(16))
        time.run_until(
            time.now_ms + (rng.randrange(30) if at_once else rng.randrange(WHOLE_MS // len(order)))
        )
    planted.fault(yard)
    supervisor: Supervisor | None = yard.supervisor
    assert supervisor is not None
    time.run_until_true(lambda: supervisor.finished, LONGEST_MS)
    time.run_until(time.now_ms + AFTERWARDS_MS + rng.randrange(60_000))
    off = [*NODES, "yard"]
    rng.shuffle(off)
    tidy = rng.random() < 0.5
    for name in off:
        yard.bus.detach(name, graceful=tidy)
        if tidy:
            time.run_until(time.now_ms + rng.randrange(2_000))
