"""A reference node as a process of its own, behind a tap: for trying things out with no board at hand."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from conformance.bench.child import Child

if TYPE_CHECKING:
    from conformance.bench.tap import Tap


@contextmanager
def spawned_node(tap: Tap, site_path: Path, node: str) -> Iterator[Callable[[], None]]:
    """Start `yardwire node` on the bench; gives a way to reset it as a power failure does.

    The process ends with the context, whatever happened.
    """
    command = [
        *(sys.executable, "-m", "conformance.commands.main", "node", node),
        *("--site", str(site_path), "--broker", f"mqtt://{tap.host}:{tap.port}", "--bench"),
    ]
    process = Child(command)

    def restart() -> None:
        nonlocal process
        process.end()
        process = Child(command)

    try:
        yield restart
    finally:
        process.end()
