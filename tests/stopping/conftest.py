"""Marks, one a test, and what commands connect to."""

from __future__ import annotations

import itertools
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from protocol.site_file import scenario_text

_numbers = itertools.count()


@pytest.fixture
def mark() -> str:
    """By which the processes of one test are known."""
    return f"{os.getpid()}.{next(_numbers)}"


@pytest.fixture(scope="module")
def broker() -> Iterator[Broker]:
    with start_broker("auto") as running:
        yield running


@pytest.fixture
def silent() -> Iterator[str]:
    """The URL of something that takes connections and never says a word."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield f"mqtt://127.0.0.1:{server.getsockname()[1]}"


@pytest.fixture
def site(tmp_path: Path) -> str:
    path = tmp_path / "site.toml"
    path.write_text(scenario_text(), encoding="utf-8")
    return str(path)
