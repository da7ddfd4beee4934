"""A connection with TLS can be reset whatever was done to it before."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.bench.brokers.mosquitto import ServerTls
from conformance.bench.connection.tls_files import TlsFiles
from conformance.bench.tap.relay import reset
from tests.certificates import Authority
from tests.needs import needs


@needs("mosquitto")
@needs("openssl")
@pytest.mark.parametrize("closed", [0, 1, 2])
def test_a_connection_that_was_closed_is_reset(closed: int, tmp_path: Path) -> None:
    """asyncio's transport for TLS forgets its socket when it is closed a second time."""
    authority = Authority(tmp_path)
    shown = authority.issue("broker", "IP:127.0.0.1")

    async def close_and_reset(host: str, port: int) -> None:
        _, writer = await asyncio.open_connection(host, port, ssl=TlsFiles(authority.ca).context())
        for _ in range(closed):
            writer.close()
        reset(writer)
        assert writer.is_closing()

    tls = ServerTls(authority.ca, shown.certificate, shown.key)
    with start_broker("mosquitto", server_tls=tls) as broker:
        asyncio.run(close_and_reset(broker.host, broker.port))
