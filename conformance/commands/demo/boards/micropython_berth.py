"""A berth in MicroPython: the interpreter as a process on the bus, its pins at the simulated track of the yard."""

from __future__ import annotations

import os
import random
import shutil
import sys
import threading
import time
from importlib import resources
from pathlib import Path

from conformance.bench.processes.child import Child
from conformance.commands.demo.boards.pins import Pins
from conformance.publish.firmware.micropython.site_module import site_module
from protocol.site import Site
from protocol.trouble import Trouble
from protocol.wire.endpoint import Endpoint
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World

ROUND_S = 0.001
HEAP = "512K"


def micropython() -> str:
    """The interpreter: beside this Python, or on the path. Raises Trouble where there is none."""
    beside = Path(sys.executable).with_name("micropython")
    found = str(beside) if beside.is_file() else shutil.which("micropython")
    if found is None:
        fix = "make demo ARGS=--boards installs it under Python 3.11 on Linux; elsewhere build its unix port"
        raise Trouble("MicroPython is not on this machine", fix=fix)
    return found


class MicroPythonBerth:
    """The berth `name` of the site on the broker at `endpoint`; `folder` takes what the board keeps and says."""

    def __init__(
        self, site: Site, name: str, endpoint: Endpoint, world: World, rng: random.Random, folder: Path
    ) -> None:
        self._site, self._name, self._endpoint, self._folder = site, name, endpoint, folder
        self._interpreter = micropython()
        self._machines = Machines(site.nodes[name], world, rng, now_ms=_now_us() // 1000)
        self._thread = threading.Thread(target=self._run, name=f"track of {name}", daemon=True)
        self._stopping = threading.Event()
        self._failure: BaseException | None = None
        self._pins: Pins | None = None
        self._child: Child | None = None

    @property
    def failure(self) -> BaseException | None:
        """What ended the board or the thread of its track, if anything did."""
        if self._failure is None and self._child is not None and self._child.poll() is not None:
            said = (self._folder / "board.log").read_text(errors="replace")[-1000:]
            return Trouble(
                f"the board {self._name!r} has ended: {said}", fix="Report it with what stands here"
            )
        return self._failure

    def start(self) -> None:
        """Power on: the track says how its sensors stand, and the interpreter starts."""
        self._folder.mkdir(parents=True, exist_ok=True)
        module = site_module(self._site, self._name)
        (self._folder / "yw_site.py").write_text(module, encoding="utf-8")
        self._pins = Pins(self._folder)
        firmware = Path(str(resources.files("reference_node"))) / "firmware" / "micropython"
        self._machines.power_up(_now_us() // 1000)
        for sensor, closed in self._machines.levels().items():
            self._pins.sense(_now_us() // 1000, sensor, closed)
        where = [self._endpoint.host, str(self._endpoint.port)]
        if self._endpoint.user:
            where += [self._endpoint.user, self._endpoint.password or ""]
        words = [self._interpreter, "-X", f"heapsize={HEAP}", str(firmware / "unix" / "node.py")]
        words += [str(self._folder / "boot"), str(self._pins.path), "mqtt", *where]
        environment = os.environ | {"MICROPYPATH": f"{self._folder}:{firmware}:.frozen"}
        with (self._folder / "board.log").open("wb") as log:
            self._child = Child(words, stdout=log, stderr=log, environment=environment)
        self._thread.start()

    def stop(self) -> None:
        """Power off, for good."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join()
        if self._child is not None:
            self._child.end()
        if self._pins is not None:
            self._pins.close()

    def _run(self) -> None:
        """The track: what passes its sensors goes to the board, what the board does to its motor comes back."""
        assert self._pins is not None
        assert self._machines.track is not None
        try:
            while not self._stopping.wait(ROUND_S):
                for _, edges in self._machines.run_to(_now_us()):
                    for edge in edges:
                        self._pins.sense(edge.at_us // 1000, edge.sensor, edge.closed)
                for words in self._pins.commands():
                    if words[0] == "motor":
                        self._machines.track.drive(int(words[1]))
        except BaseException as error:
            self._machines.power_off(_now_us() // 1000)
            self._failure = error
            raise


def _now_us() -> int:
    return time.monotonic_ns() // 1000
