"""The broker of a bench: one that is given by URL, else a private mosquitto, else the embedded one.

with start_broker("auto") as broker:
    print(broker.name, broker.host, broker.port)
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Protocol

from conformance.bench.brokers.mosquitto import Mosquitto, ServerTls, find_mosquitto
from conformance.bench.brokers.probe import probe
from conformance.bench.connection.address import VERSIONS, Address, parse_address
from conformance.bench.connection.tls_files import TlsFiles
from conformance.bench.network import require_loopback
from protocol.trouble import Trouble

CHOICES = ("auto", "mosquitto", "embedded")


class Broker(Protocol):
    """A broker that answers. `url` holds the password, if there is one; `name` is for people to read."""

    @property
    def address(self) -> Address:
        """Host, port, credentials and TLS in one."""
        ...

    @property
    def name(self) -> str:
        """'mosquitto 2.0.11', 'embedded amqtt 0.12.1', or the URL without its password."""
        ...

    @property
    def host(self) -> str:
        """Where clients connect."""
        ...

    @property
    def port(self) -> int:
        """The TCP port, never 0."""
        ...

    @property
    def url(self) -> str:
        """`mqtt://` or `mqtts://`, with user and password."""
        ...


class RemoteBroker:
    """Somebody else's broker: it is asked whether it lets us in, and never started or stopped."""

    def __init__(self, address: Address) -> None:
        self.address = address
        self.name = address.name
        self.host = address.host
        self.port = address.port
        self.url = address.url


@contextmanager
def start_broker(
    choice: str = "auto",
    *,
    url: str | None = None,
    at: Address | None = None,
    tls: TlsFiles | None = None,
    version: str = "3.1.1",
    bind: str = "127.0.0.1",
    port: int = 0,
    open_to_network: bool = False,
    users: Mapping[str, str] | None = None,
    server_tls: ServerTls | None = None,
) -> Iterator[Broker]:
    """Give a broker that answers, and leave nothing of it running afterwards.

    `choice` is 'auto' (the URL if there is one, else mosquitto if it is installed, else the embedded broker),
    'mosquitto', 'embedded', or a URL itself. `at` is the broker to use, whatever `choice` says. `tls` names
    client-side files for an `mqtts://` URL; `version` is the MQTT version that somebody else's broker is asked
    for ('3.1.1' or '5'). The others are for a broker started here: where it listens (`port` 0: a free one;
    beyond loopback only with `open_to_network=True`), `users` and their passwords (None: anyone), and
    `server_tls` (mosquitto only). Raises Trouble.
    """
    if at is not None:
        yield _remote(at, version)
        return
    if "://" in choice:
        choice, url = "auto", choice
    if choice not in CHOICES:
        raise Trouble(f"there is no broker {choice!r}", fix=f"Choose {', '.join(CHOICES)} or a URL")
    if choice == "auto" and url is not None:
        yield _remote(parse_address(url, tls), version)
        return
    require_loopback(bind, open_to_network=open_to_network)
    program = None if choice == "embedded" else find_mosquitto()
    if program is not None:
        with Mosquitto(program, bind, port, users=users, tls=server_tls) as mosquitto:
            yield mosquitto
        return
    if choice == "mosquitto":
        fix = "Install it (Debian: apt install mosquitto) or choose the embedded broker"
        raise Trouble("there is no mosquitto on this machine", fix=fix)
    if server_tls is not None:
        raise Trouble("the embedded broker does not speak TLS", fix="Install mosquitto, or give a URL")
    # Late: the library takes a tenth of a second to import.
    from conformance.bench.brokers.embedded import EmbeddedBroker

    with EmbeddedBroker(bind, port, users=users) as embedded:
        yield embedded


def _remote(address: Address, version: str) -> RemoteBroker:
    if version not in VERSIONS:
        raise Trouble(f"MQTT version {version!r} is not known here", fix=f"Choose {' or '.join(VERSIONS)}")
    probe(address, level=VERSIONS[version])
    return RemoteBroker(address)
