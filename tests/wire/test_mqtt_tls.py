"""The MQTT host over TLS: many packets in one record, a stranger's certificate, and a plain port."""

from __future__ import annotations

import ssl
import subprocess
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.bench.brokers.mosquitto import ServerTls
from protocol.participant import Publication
from protocol.trouble import Trouble
from protocol.wire.mqtt import MqttHost
from tests.needs import needs
from tests.wire.people import Listener, Node

pytestmark = [needs("mosquitto"), needs("openssl")]


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> ServerTls:
    """A certificate for 127.0.0.1 that signs itself."""
    folder = tmp_path_factory.mktemp("certificate")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
         "-keyout", "server.key", "-out", "server.crt", "-subj", "/CN=yard",
         "-addext", "subjectAltName=IP:127.0.0.1"],
        cwd=folder, check=True, capture_output=True,
    )  # fmt: skip
    return ServerTls(folder / "server.crt", folder / "server.crt", folder / "server.key")


def trusting(certificate: Path | None) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=None if certificate is None else str(certificate))


def test_a_burst_arrives_whole_and_in_order(shown: ServerTls) -> None:
    """TLS hands over records: packets that wait inside one make no socket readable."""
    orders = [Publication("north/order", b"%d" % number, 1, False) for number in range(300)]
    subscriber = Listener("ear", ("north/report", 1))
    with start_broker("mosquitto", server_tls=shown) as broker:
        hosts = [
            MqttHost(one, broker.host, broker.port, tls=trusting(shown.ca)) for one in (subscriber, Node())
        ]
        for host in hosts:
            host.start()
        hosts[0].call(lambda _, __: orders)
        assert subscriber.wait_for_payload(b"299")
        for host in hosts:
            host.stop()
    assert subscriber.payloads("north/report") == [one.payload for one in orders]


def test_the_will_comes_when_the_process_dies(shown: ServerTls) -> None:
    """[MQTT-3.1.2-8], over TLS."""
    subscriber = Listener("ear", ("north/status", 1))
    with start_broker("mosquitto", server_tls=shown) as broker:
        hosts = [
            MqttHost(one, broker.host, broker.port, tls=trusting(shown.ca)) for one in (subscriber, Node())
        ]
        for host in hosts:
            host.start()
        hosts[1].stop(graceful=False)
        assert subscriber.wait_for_payload(b"off 1")
        hosts[0].stop()


def test_a_certificate_that_nobody_trusts_is_told(shown: ServerTls) -> None:
    with start_broker("mosquitto", server_tls=shown) as broker:
        host = MqttHost(Node(), broker.host, broker.port, tls=trusting(None))
        with pytest.raises(Trouble, match="unknown CA"):
            host.start()


def test_tls_towards_a_plain_port_is_told() -> None:
    with start_broker("mosquitto") as broker:
        host = MqttHost(Node(), broker.host, broker.port, tls=trusting(None))
        with pytest.raises(Trouble, match="speaks plain MQTT"):
            host.start()
