"""What is wrong with a certificate is said by every client of the kit, on a real broker with a private CA."""

from __future__ import annotations

import socket
import ssl
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.bench.brokers.mosquitto import ServerTls
from conformance.bench.brokers.probe import probe
from conformance.bench.connection.address import Address
from conformance.bench.connection.tls_files import TlsFiles
from conformance.recordings.record.capture import Capture
from protocol.trouble import Trouble
from tests.certificates import Authority, Issued
from tests.needs import needs
from tests.wire.people import Node

pytestmark = [needs("mosquitto"), needs("openssl")]


@dataclass(frozen=True, slots=True)
class Authorities:
    """Ours, and that of a stranger."""

    ours: Authority
    strange: Authority
    right: Issued


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Authorities:
    folder = tmp_path_factory.mktemp("authorities")
    ours = Authority(folder / "ours")
    return Authorities(
        ours, Authority(folder / "strange", "stranger"), ours.issue("broker", "DNS:localhost", "IP:127.0.0.1")
    )


@contextmanager
def broker(made: Authorities, shown: Issued | None = None, *, asks: bool = False) -> Iterator[Address]:
    """A mosquitto that shows a certificate; the address trusts our CA."""
    shown = shown or made.right
    tls = ServerTls(made.ours.ca, shown.certificate, shown.key, client_certificates=asks)
    with start_broker("mosquitto", server_tls=tls) as running:
        yield replace(running.address, tls=TlsFiles(made.ours.ca))


def by_host(address: Address) -> None:
    """As `node`, `supervise` and `validate` connect."""
    with address.client(Node()):
        pass


def by_capture(address: Address) -> None:
    """As `record` and `watch` do."""
    capture = Capture(address, "x/#", lambda _: None)
    capture.run(lambda *_: capture.stop(), lambda _: None)


CLIENTS = [pytest.param(one, id=one.__name__) for one in (probe, by_host, by_capture)]
Client = Callable[[Address], object]


def told(client: Client, address: Address) -> str:
    with pytest.raises(Trouble) as caught:
        client(address)
    assert address.name in str(caught.value)
    assert "Start the broker" not in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize("client", CLIENTS)
def test_the_right_ones_are_accepted(made: Authorities, client: Client) -> None:
    ours = made.ours.issue("listener")
    with broker(made, asks=True) as address:
        client(replace(address, tls=TlsFiles(made.ours.ca, ours.certificate, ours.key)))
    with broker(made) as address:
        client(replace(address, host="localhost"))


@pytest.mark.parametrize("client", CLIENTS)
def test_unknown_ca(made: Authorities, client: Client) -> None:
    with broker(made) as address:
        for tls in (TlsFiles(), TlsFiles(made.strange.ca)):
            text = told(client, replace(address, tls=tls))
            assert "signed by a CA that is not trusted here (unknown CA)" in text
            assert "--ca FILE" in text


@pytest.mark.parametrize("client", CLIENTS)
def test_another_name(made: Authorities, client: Client) -> None:
    with broker(made, made.ours.issue("elsewhere", "DNS:yard.lan", "IP:192.0.2.7")) as address:
        text = told(client, address)
        assert "not made out to '127.0.0.1' but to yard.lan, 192.0.2.7" in text
        assert "not made out to 'localhost'" in told(client, replace(address, host="localhost"))


@pytest.mark.parametrize("client", CLIENTS)
def test_expired(made: Authorities, client: Client) -> None:
    with broker(made, made.ours.issue("old", "IP:127.0.0.1", days=(-30, -10))) as address:
        text = told(client, address)
    assert "it has expired (on 20" in text
    assert "this machine's clock says 20" in text


@pytest.mark.parametrize("client", CLIENTS)
def test_not_yet_valid(made: Authorities, client: Client) -> None:
    with broker(made, made.ours.issue("new", "IP:127.0.0.1", days=(10, 30))) as address:
        text = told(client, address)
    assert "it is not valid yet (until 20" in text
    assert "Set this machine's clock" in text


@pytest.mark.parametrize("client", CLIENTS)
def test_client_certificates_that_a_broker_refuses(made: Authorities, client: Client) -> None:
    with broker(made, asks=True) as address:
        assert "wants a client certificate, and none was shown" in told(client, address)
        for one, why in (
            (made.ours.issue("late", days=(-30, -10)), "it has expired"),
            (made.strange.issue("north"), "it does not know the CA that signed it"),
        ):
            text = told(client, replace(address, tls=TlsFiles(made.ours.ca, one.certificate, one.key)))
            assert f"refuses our client certificate: {why}" in text
            assert "--cert FILE, --key FILE" in text


@pytest.mark.parametrize("client", CLIENTS)
def test_plain_text_to_a_port_with_tls_and_the_other_way_round(made: Authorities, client: Client) -> None:
    with broker(made) as address:
        text = told(client, replace(address, tls=None))
        assert "this port speaks TLS, and was spoken to in plain text. Write mqtts://" in text
    with start_broker("mosquitto") as plain:
        text = told(client, replace(plain.address, tls=TlsFiles(made.ours.ca)))
        assert "this port speaks plain MQTT, without TLS" in text


@pytest.mark.parametrize("client", CLIENTS)
def test_wrong_login(client: Client) -> None:
    with start_broker("mosquitto", users={"north": "right"}) as running:
        address = Address(running.host, running.port)
        text = told(client, replace(address, user="north", password="quite-wrong"))
        assert "does not authorise us" in text
        assert "the user 'north', and the password (--password-file)" in text
        assert "quite-wrong" not in text
        assert "Name a user that this broker knows (--user)" in told(client, address)


# ---------------------------------------------------------------- files of our own
def test_files_that_cannot_be_used(made: Authorities, tmp_path: Path) -> None:
    ca, one, other = made.ours.ca, made.ours.issue("me"), made.ours.issue("another")
    der = tmp_path / "ca.der"
    der.write_bytes(ssl.PEM_cert_to_DER_cert(ca.read_text()))
    torn = tmp_path / "torn.crt"
    torn.write_text(ca.read_text()[:200])
    open_key = tmp_path / "open.key"
    open_key.write_bytes(one.key.read_bytes())
    open_key.chmod(0o644)
    for files, why in (
        (TlsFiles(tmp_path / "none"), f"{tmp_path}/none: the CA's certificate cannot be read: No such file"),
        (TlsFiles(der), f"{der}: the CA's certificate is not a PEM file"),
        (TlsFiles(one.key), f"{one.key}: the CA's certificate is not a PEM file"),
        (TlsFiles(torn), f"{torn}: the CA's certificate cannot be used"),
        (
            TlsFiles(ca, one.certificate, other.key),
            f"{other.key}: the key does not belong to the certificate",
        ),
        (TlsFiles(ca, one.certificate), f"{one.certificate}: there is no private key in this file"),
        (TlsFiles(ca, one.certificate, one.certificate), "there is no private key in this file"),
        (TlsFiles(ca, one.key, one.key), f"{one.key}: the client certificate is not a PEM file"),
        (TlsFiles(ca, None, one.key), "a key comes with its certificate"),
        (TlsFiles(ca, one.certificate, open_key), "the private key can be read by others (mode 0644)"),
    ):
        with pytest.raises(Trouble) as caught:
            files.context()
        assert why in str(caught.value)


def test_a_key_with_a_pass_phrase_is_refused_and_nobody_is_asked(made: Authorities, tmp_path: Path) -> None:
    """Else OpenSSL asks at the terminal, in the middle of whatever runs there."""
    one, locked = made.ours.issue("phrased"), tmp_path / "locked.key"
    subprocess.run(
        ["openssl", "pkey", "-in", one.key, "-aes256", "-passout", "pass:open-sesame", "-out", locked],
        check=True, capture_output=True,
    )  # fmt: skip
    locked.chmod(0o600)
    with pytest.raises(Trouble, match="protected by a pass phrase"):
        TlsFiles(made.ours.ca, one.certificate, locked).context()


def test_all_of_it_passes_the_strict_checks_of_later_pythons(made: Authorities) -> None:
    """Python 3.13 sets this flag by default; certificates as we make them must pass it."""
    with broker(made) as address:
        context = TlsFiles(made.ours.ca).context()
        context.verify_flags |= ssl.VERIFY_X509_STRICT
        with (
            socket.create_connection((address.host, address.port), 5) as plain,
            context.wrap_socket(plain, server_hostname=address.host) as secure,
        ):
            assert secure.version() in ("TLSv1.3", "TLSv1.2")
