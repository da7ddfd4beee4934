"""One edition for all tests of the published files, made as the command makes it."""

from __future__ import annotations

import fcntl
import os
from importlib import resources
from pathlib import Path

import pytest

from conformance.commands import main
from conformance.publish.artefacts.artefacts import artefacts
from protocol.site_file import scenario
from protocol.specification import specification


@pytest.fixture(scope="session")
def made() -> dict[str, bytes]:
    """The artefacts, path to bytes."""
    return artefacts(specification(), resources.files("protocol").joinpath("v1"), scenario())


@pytest.fixture(scope="session")
def published(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that `yardwire publish` writes: once for all workers of a run, and nobody writes in it."""
    own = tmp_path_factory.getbasetemp()
    shared = (own.parent if "PYTEST_XDIST_WORKER" in os.environ else own) / "published-once"
    shared.mkdir(exist_ok=True)
    with (shared / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (shared / "done").exists():
            assert main.run(["publish", str(shared / "out")]) == 0
            (shared / "done").touch()
    return shared / "out"
