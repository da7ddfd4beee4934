"""A broker and a publisher for tests of what is recorded."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from conformance.bench.broker import Broker, start_broker


@pytest.fixture
def broker() -> Iterator[Broker]:
    with start_broker() as running:
        yield running
