"""The Arduino library as `publish` writes it, for the tests of what is in it."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import pytest

from conformance.publish.firmware.arduino import FOLDER, arduino_library
from protocol.site_file import scenario
from protocol.specification import specification


@pytest.fixture(scope="package")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Its folder."""
    out = tmp_path_factory.mktemp("published")
    core = resources.files("reference_node").joinpath("firmware", "c")
    for path, content in arduino_library(specification(), core, scenario()).items():
        (out / path).parent.mkdir(parents=True, exist_ok=True)
        (out / path).write_bytes(content)
    return out / FOLDER
