"""A crane in C on an ATmega328P in a simulator, on a serial line with a gateway; its grip is in the simulated yard."""

from __future__ import annotations

import random
import threading
from importlib import resources
from pathlib import Path

from conformance.bench.processes.avr_board import AvrBoard
from conformance.publish.firmware.simulated import start_avr_board
from protocol.site import Site
from protocol.trouble import Trouble
from protocol.wire.endpoint import Endpoint
from protocol.wire.serial.gateway import Fleet, Gateway
from protocol.wire.serial.port import SerialPort
from reference_node.machines.world import World

RATE = 115_200
LOOK_S = 0.03
"""The spreader takes a quarter of a second to close: the yard is looked at several times meanwhile."""


class AvrCrane:
    """The crane `name` of the site on the broker at `endpoint`; `folder` takes what is built."""

    def __init__(
        self, site: Site, name: str, endpoint: Endpoint, world: World, rng: random.Random, folder: Path
    ) -> None:
        self._site, self._name, self._endpoint, self._folder = site, name, endpoint, folder
        self._world, self._seed = world, rng.getrandbits(16)
        self._thread = threading.Thread(target=self._run, name=f"grip of {name}", daemon=True)
        self._stopping = threading.Event()
        self._failure: BaseException | None = None
        self._board: AvrBoard | None = None
        self._gateway: Gateway | None = None
        self._holds: str | None = None

    @property
    def failure(self) -> BaseException | None:
        """What ended the board, if anything did."""
        return self._failure

    def start(self) -> None:
        """Build it, a few seconds' work; power on, cable in. Raises Trouble where a compiler or simavr is missing."""
        core = Path(str(resources.files("reference_node"))) / "firmware" / "c"
        self._board = start_avr_board(core, self._site, self._name, self._folder, seed=self._seed)
        port = self._board.port
        fleet = Fleet(self._site.name, self._site.nodes, lambda _name: self._endpoint)
        self._gateway = Gateway([(port, lambda: SerialPort(port, RATE))], fleet, rate=RATE)
        self._gateway.start()
        self._thread.start()

    def stop(self) -> None:
        """Power off, for good."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join()
        if self._gateway is not None:
            self._gateway.stop()
        if self._board is not None:
            self._board.end()

    def _run(self) -> None:
        try:
            while not self._stopping.wait(LOOK_S):
                self._look()
        except BaseException as error:
            self._failure = error
            raise

    def _look(self) -> None:
        """What the fingers would close over is there or not in the yard; what they hold is nowhere else."""
        assert self._board is not None
        told = self._board.tell()
        at = [float(figure) for figure in told["at"]]
        if told["gripped"] and self._holds is None:
            self._holds = self._world.box_at(self._name, at)
            if self._holds is None:
                raise Trouble(f"crane {self._name} holds a box where none stands, at {at}", fix="Report it")
            self._world.take(self._name, at)
        elif not told["gripped"]:
            if self._holds is not None:
                self._world.put(self._name, at, self._holds)
                self._holds = None
            self._board.tell(f"box {int(self._world.box_at(self._name, at) is not None)}")
