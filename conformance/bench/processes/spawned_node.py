"""A reference node as a process of its own, behind a tap: for trying things out with no board at hand."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from conformance.bench.connection.login import handed_on
from conformance.bench.connection.several import require_several
from conformance.bench.processes.child import Child

if TYPE_CHECKING:
    from conformance.bench.connection.address import Address
    from conformance.bench.tap.tap import Tap


@contextmanager
def spawned_node(
    tap: Tap, site_path: Path, node: str, broker: Address | None = None
) -> Iterator[Callable[[], None]]:
    """Start `yardwire node` on the bench; gives a way to reset it as a power failure does.

    The process ends with the context, whatever happened. It logs in as the kit does at `broker`, behind the tap: by
    its environment, since everybody can read its command line.
    """
    command = [
        *(sys.executable, "-m", "conformance.commands.main", "node", node),
        *("--site", str(site_path), "--broker", f"mqtt://{tap.host}:{tap.port}", "--bench"),
    ]
    if broker is not None:
        require_several(broker, "the tester and the node that is started need two connections")
    environment = handed_on(os.environ, broker)
    process = Child(command, environment=environment)

    def restart() -> None:
        nonlocal process
        process.end()
        process = Child(command, environment=environment)

    try:
        yield restart
    finally:
        process.end()
