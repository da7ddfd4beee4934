"""When a command is in the phase that is meant: seen from what it says, connects to or writes, and of work that ends
by itself from the processor time that it has used. Never from a clock, which knows nothing of how fast a machine is.
"""

from __future__ import annotations

import math
import signal
import time
from collections.abc import Callable
from contextlib import AbstractContextManager, suppress
from pathlib import Path

from paho.mqtt import publish

from conformance.bench.connection.address import parse_address
from protocol.recording import EventKind, NotARecording, RecordedEvent, RecordingReader
from tests.stopping.place import Place
from tests.stopping.processes import PATIENCE_S, Running

Moment = Callable[[Running, Place], object]


def says(text: str) -> Moment:
    return lambda running, _place: running.wait_for(text)


def waits_for_an_answer(_running: Running, place: Place) -> None:
    place.silent.wait_for_a_client()


def records(running: Running, place: Place) -> None:
    wait_for_recorder(running, Path(place.path("run.ywrec")))


def wait_for_recorder(running: Running, path: Path) -> None:
    """It notes its connection in the file."""
    end = time.monotonic() + PATIENCE_S
    while not path.exists() or not _connections(path):
        assert running.process.poll() is None, running.all_said()
        assert time.monotonic() < end, "it does not record"
        time.sleep(0.02)


def _connections(path: Path) -> int:
    with path.open("rb") as file, suppress(NotARecording):
        items = list(RecordingReader(file))
        return sum(isinstance(item, RecordedEvent) and item.kind == EventKind.CONNECTED for item in items)
    return 0


def judges_what_it_hears(running: Running, place: Place) -> None:
    """A message that is not valid is retained: it is told of at once."""
    address = parse_address(place.url)
    topic = "yw1/an-old-site/north/crane-status"
    try:
        publish.single(topic, b"{", 1, True, hostname=address.host, port=address.port)
        running.wait_for(topic)
    finally:
        publish.single(topic, None, 1, True, hostname=address.host, port=address.port)


MOST_RUNS = 6
NEAR_ITS_END = 0.95
"""From this part of its time on a run is taken for one that is over: its last work may be done already."""


def amidst(
    begin: Callable[[Path], AbstractContextManager[Running]],
    folder: Path,
    part: float,
    stop: Callable[[Running], object],
) -> None:
    """Stop work that ends by itself when this part of its processor time is used.

    The first run is not stopped. One that was over all the same (it found its code compiled, which the one before
    it had to do) tells the next how long it takes.
    """
    whole_s = math.inf
    for number in range(MOST_RUNS):
        fresh = folder / f"run-{number}"
        fresh.mkdir()
        with begin(fresh) as running:
            if running.works(part * whole_s):
                if running.used_s < NEAR_ITS_END * whole_s:
                    stop(running)
                    return
                running.send(signal.SIGCONT)
            said = running.all_said()
            assert running.process.wait() == 0, said
            whole_s = running.used_s
    raise AssertionError(
        f"{MOST_RUNS} times it was over before {part:.0%} of the time that the run before had taken"
    )
