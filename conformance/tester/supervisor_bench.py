"""The bench for a supervisor: every other node played, and the one under test restarted with each brief."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random

from conformance.bench.connection.address import Address
from conformance.bench.connection.login import handed_on
from conformance.bench.connection.several import require_several
from conformance.bench.processes.program import Program
from conformance.bench.tap.tap import Tap
from conformance.bench.wire_yard import WireYard
from conformance.suite.brief import Brief
from conformance.suite.supervisor_fixture import SupervisorFixture
from conformance.tester.reset import PERSON_SECONDS, Reset
from protocol.site import Site


def reference_program(site_path: Path, name: str) -> tuple[str, ...]:
    """The words that start the reference supervisor with a brief."""
    return (
        *(sys.executable, "-m", "conformance.commands.main", "node", name, "--site", str(site_path)),
        *("--broker", "{broker}", "--brief", "{brief}", "--yes"),
    )


@contextmanager
def supervisor_fixture(
    tap: Tap,
    address: Address,
    site: Site,
    name: str,
    *,
    program: tuple[str, ...] | None,
    tell: Callable[[str], None],
    seed: int,
    slow: float,
) -> Iterator[SupervisorFixture]:
    """The fixture for a supervisor; ends its program, if the kit starts one, whatever happens.

    Without a `program` a person starts it, and `tell` is given what to say to them. Raises Trouble.
    """
    require_several(address, "the kit plays several nodes")

    def by_hand(brief: Brief) -> None:
        asked = f"Stop the supervisor {name!r} and restart it now (within {PERSON_SECONDS:g} s)."
        Reset(tap, lambda: tell(f"{asked}\n{brief.text}"), PERSON_SECONDS)()

    environment = handed_on(os.environ, address)
    with Program(program or (), f"mqtt://{tap.host}:{tap.port}", environment) as started:

        def by_program(brief: Brief) -> None:
            started.start(json.dumps(brief.document(), indent=1))

        start = by_program if program else by_hand
        with WireYard(tap, address, site, start, started.failure) as yard:
            yield SupervisorFixture(yard, site, name, Random(seed), slow)
