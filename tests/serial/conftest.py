"""What tests of boards on a cable share."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from protocol.site_file import scenario_text


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """harlow-basin with every board on CBOR."""
    text = re.sub(r"^(reads|writes) = .*$", r'\1 = "cbor"', scenario_text(), flags=re.MULTILINE)
    path = tmp_path / "site.toml"
    path.write_text(text)
    return path
