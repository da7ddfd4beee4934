"""A reference node as a process of its own, behind a tap: for trying things out with no board at hand."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from conformance.bench.connection.login import handed_on
from conformance.bench.connection.several import require_several
from conformance.bench.processes.child import Child

if TYPE_CHECKING:
    from conformance.bench.connection.address import Address
    from conformance.bench.tap.tap import Tap


class SpawnedNode:
    """The running program of a reference node. Called, it is reset as a power failure does."""

    def __init__(self, command: Sequence[str], environment: Mapping[str, str]) -> None:
        """Start it. Raises OSError."""
        self._command, self._environment = command, environment
        self._process = Child(command, environment=environment)

    def __call__(self) -> None:
        """End it without a word and start it again."""
        self._process.end()
        self._process = Child(self._command, environment=self._environment)

    def failure(self) -> str:
        """How its program has ended by itself; '' while it runs."""
        code = self._process.poll()
        return "" if code is None else f"the program of the node has ended with {code}"

    def end(self) -> None:
        """End it for good."""
        self._process.end()


@contextmanager
def spawned_node(
    tap: Tap, site_path: Path, node: str, broker: Address | None = None
) -> Iterator[SpawnedNode]:
    """Start `yardwire node` on the bench; gives a way to reset it as a power failure does.

    The process ends with the context, whatever happened. It logs in as the kit does at `broker`, behind the tap: by
    its environment, since everybody can read its command line.
    """
    command = [
        *(sys.executable, "-m", "conformance.commands.main", "node", node),
        *("--site", str(site_path), "--broker", f"mqtt://{tap.host}:{tap.port}", "--bench", "--yes"),
    ]
    if broker is not None:
        require_several(broker, "the tester and the node that is started need two connections")
    environment = handed_on(os.environ, broker)
    running = SpawnedNode(command, environment)
    try:
        yield running
    finally:
        running.end()
