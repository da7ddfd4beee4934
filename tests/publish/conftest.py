"""One edition for all tests of the published files, made as the command makes it."""

from __future__ import annotations

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
    """The folder that `yardwire publish` writes."""
    out = tmp_path_factory.mktemp("published") / "out"
    assert main.run(["publish", str(out)]) == 0
    return out
