"""Marks, one a test, and what commands connect to."""

from __future__ import annotations

import itertools
import os
import socket
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from protocol.site_file import scenario_text
from tests.stopping.place import Place, SilentServer, make_recording

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
def silent() -> Iterator[SilentServer]:
    with socket.create_server(("127.0.0.1", 0)) as server, closing(SilentServer(server)) as silent:
        yield silent


@pytest.fixture(scope="module")
def long_recording(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("recordings") / "long.ywrec"
    make_recording(path, messages=60_000)
    return str(path)


@pytest.fixture
def site(tmp_path: Path) -> str:
    path = tmp_path / "site.toml"
    path.write_text(scenario_text(), encoding="utf-8")
    return str(path)


@pytest.fixture
def place(tmp_path: Path, site: str, broker: Broker, silent: SilentServer, long_recording: str) -> Place:
    return Place(tmp_path, site, broker.url, silent, long_recording)
