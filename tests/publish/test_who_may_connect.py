"""The published access list and configuration, on a real mosquitto with TLS, while others try what they may not."""

from __future__ import annotations

import socket
import ssl
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from conformance.publish.artefacts.access import LISTENERS, access_list
from conformance.publish.artefacts.broker_configuration import broker_configuration
from protocol.site_file import scenario
from protocol.specification import specification
from protocol.wire.packet import Connack, Kind
from tests.bench.wire import Closed, Wire, connect, kept_if_all_went_well, publish, subscribe
from tests.certificates import Authority
from tests.needs import needs
from tests.publish.guarded import password_file, running

pytestmark = [needs("mosquitto"), needs("mosquitto_passwd"), needs("openssl")]
ROOT = "yw1/harlow-basin"
NODES = ("north", "south", "siding", "ferry", "yard")
VISITOR = "visitor"
"""Has a password, and is not in the list."""
STATUS = f"{ROOT}/north/node-status"
OFF = b'{"boot":1,"link":1,"state":"off"}'


class Guard:
    """The broker, and what is needed to get in."""

    def __init__(self, port: int, ca: Path) -> None:
        self.port = port
        self.context = ssl.create_default_context(cafile=ca)

    def dial(self) -> Wire:
        """An open connection with TLS, on which nothing was said yet."""
        wire = Wire(self.port)
        wire.sock = self.context.wrap_socket(wire.sock, server_hostname="localhost")
        return wire

    def attempt(self, client_id: str, login: tuple[str, str] | None, **options: object) -> tuple[Wire, int]:
        """A connection and the return code of its CONNACK."""
        wire = self.dial()
        wire.send(connect(client_id, login=login, **options))  # type: ignore[arg-type]
        answer = wire.expect(Kind.CONNACK)
        assert isinstance(answer, Connack)
        return wire, answer.code

    def client(self, user: str, client_id: str = "", **options: object) -> Wire:
        """A connection that has been accepted."""
        wire, code = self.attempt(client_id or user, (user, f"pw-{user}"), **options)
        assert code == 0
        return wire


@pytest.fixture(scope="module")
def guard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Guard]:
    folder = tmp_path_factory.mktemp("guarded")
    authority = Authority(folder)
    made = authority.issue("broker", "DNS:localhost")
    assert made.certificate == folder / "broker.crt"
    (folder / "yardwire.acl").write_text(access_list(specification(), scenario()))
    password_file(folder / "passwords", {user: f"pw-{user}" for user in (*NODES, *LISTENERS, VISITOR)})
    with running(broker_configuration(scenario()), folder) as broker:
        yield Guard(broker.port, authority.ca)


def said(wire: Wire, topic: str, payload: bytes = b"x", *, retain: bool = False) -> None:
    """Publish, and wait until the broker is done with it; it may well close the connection."""
    with suppress(Closed, OSError):
        wire.send(publish(topic, payload, 1, retain=retain))
        wire.fence()


def heard(subscriber: Wire, guard: Guard) -> list[tuple[str, bytes]]:
    """What came to `subscriber` until the supervisor says something that every listener hears."""
    mark = f"{ROOT}/yard/fault"
    with guard.client("yard") as mouth:
        mouth.send(publish(mark, b"mark"))
        mouth.fence()
    found = []
    while (message := subscriber.message()).topic != mark:
        found.append((message.topic, message.payload))
    return found


def listening(guard: Guard, user: str) -> Wire:
    subscriber = guard.client(user)
    subscriber.send(subscribe("#", 1), subscribe(f"{ROOT}/#", 1, 2))
    subscriber.fence()
    return subscriber


# ---------------------------------------------------------------- listeners
@pytest.mark.parametrize("user", LISTENERS)
def test_a_listener_hears_all_of_the_site(guard: Guard, user: str) -> None:
    with listening(guard, user) as subscriber, guard.client("north") as board:
        said(board, STATUS)
        said(board, f"{ROOT}/north/crane-status")
        assert [topic for topic, _ in heard(subscriber, guard)] == [STATUS, f"{ROOT}/north/crane-status"]


@pytest.mark.parametrize("user", [*LISTENERS, VISITOR])
@pytest.mark.parametrize(
    "topic", ["north/job-order", "all/job-order", "north/node-status", "yard/yard-map/siding"]
)
def test_who_only_listens_is_not_heard(guard: Guard, user: str, topic: str) -> None:
    """Not even asking is possible: it goes over the topic of the orders."""
    ear_of = LISTENERS[1] if user == LISTENERS[0] else LISTENERS[0]
    with listening(guard, ear_of) as subscriber, guard.client(user) as mouth, guard.client("north") as board:
        board.send(subscribe(f"{ROOT}/+/job-order", 1))
        board.fence()
        said(mouth, f"{ROOT}/{topic}", retain=True)
        assert heard(subscriber, guard) == []
        assert board.fence() == []


def test_who_is_not_in_the_list_hears_nothing(guard: Guard) -> None:
    """Its subscription is answered 'granted' in MQTT 3.1.1; only messages tell."""
    with (
        listening(guard, VISITOR) as visitor,
        listening(guard, LISTENERS[0]) as subscriber,
        guard.client("north") as board,
    ):
        said(board, STATUS)
        assert heard(subscriber, guard) == [(STATUS, b"x")]
        assert visitor.fence() == []


def test_no_will_is_sent_for_who_may_not_say_it(guard: Guard) -> None:
    will = (STATUS, OFF, 1, True)
    with listening(guard, LISTENERS[0]) as subscriber:
        for user in (LISTENERS[1], VISITOR, "south"):
            guard.client(user, will=will).kill()
        guard.client("north", will=will).kill()
        # The one that may is the last of them: others would have come before it.
        assert subscriber.message().payload == OFF
        assert heard(subscriber, guard) == []


# ---------------------------------------------------------------- client identifiers
LOGINS = [
    pytest.param(None, id="nobody"),
    pytest.param(("stranger", "pw"), id="who has no password"),
    pytest.param(("north", "wrong"), id="the board's user with a wrong password"),
    pytest.param((VISITOR, f"pw-{VISITOR}"), id="who is not in the list"),
    pytest.param((LISTENERS[0], f"pw-{LISTENERS[0]}"), id="a listener"),
    pytest.param(("south", "pw-south"), id="another board"),
    pytest.param(("yard", "pw-yard"), id="the supervisor"),
]


@pytest.mark.parametrize("login", LOGINS)
def test_nobody_takes_the_client_identifier_of_a_board(guard: Guard, login: tuple[str, str] | None) -> None:
    """[MQTT-3.1.4-2] would throw the board off; its will would say that it is off."""
    with guard.client("north", will=(STATUS, OFF, 1, False)) as board:
        board.send(subscribe(f"{ROOT}/north/job-order", 1))
        board.fence()
        wire, code = guard.attempt("north", login, will=(STATUS, b"stolen", 1, True))
        with wire:
            known = login is not None and login[1] == f"pw-{login[0]}"
            assert (code == 0) is known
            if known and login is not None and login[0] != "yard":
                with listening(guard, LISTENERS[3]) as subscriber:
                    said(wire, STATUS)
                    assert heard(subscriber, guard) == []
            assert board.fence() == []
        with guard.client("yard") as supervisor:
            said(supervisor, f"{ROOT}/north/job-order")
        assert board.message().payload == b"x"


def test_only_its_own_user_takes_over_a_board(guard: Guard) -> None:
    """As it must: the board itself comes again while its dead connection still stands [LNK-11]."""
    with guard.client("north") as before, guard.client("north", "another-id"):
        assert before.closed_within(5.0)


def test_plain_text_and_a_stranger_to_the_ca_are_out(guard: Guard) -> None:
    with Wire(guard.port) as plain:
        plain.send(connect("north", login=("north", "pw-north")))
        assert plain.closed_within(5.0)
    with pytest.raises(ssl.SSLCertVerificationError), Wire(guard.port) as wire:
        ssl.create_default_context().wrap_socket(wire.sock, server_hostname="localhost")


def test_a_listener_that_is_added_below_asks_too(tmp_path: Path) -> None:
    authority = Authority(tmp_path)
    authority.issue("broker", "DNS:localhost")
    (tmp_path / "yardwire.acl").write_text(access_list(specification(), scenario()))
    password_file(tmp_path / "passwords", {"north": "pw-north"})
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    # In front, so that it is open when the other one is.
    added = f"\nlistener {port} 127.0.0.1\n\nlistener 8883\n"
    text = broker_configuration(scenario()).replace("\nlistener 8883\n", added)
    with running(text, tmp_path), Wire(port) as wire:
        wire.send(connect("north"))
        answer = wire.expect(Kind.CONNACK)
        assert isinstance(answer, Connack)
        assert answer.code == 5


def test_the_names_of_listeners_are_no_names_of_nodes() -> None:
    longest = specification().limits["client_id"].most
    assert longest is not None
    assert all(len(name) > longest for name in LISTENERS)
    assert not set(LISTENERS) & set(scenario().nodes)


# ---------------------------------------------------------------- with client certificates
def test_a_client_certificate_is_a_user_of_that_name(tmp_path: Path) -> None:
    """The lines that are commented out: the common name is the user, and no password is asked for."""
    authority, stranger = Authority(tmp_path), Authority(tmp_path / "stranger")
    authority.issue("broker", "DNS:localhost")
    (tmp_path / "yardwire.acl").write_text(access_list(specification(), scenario()))
    password_file(tmp_path / "passwords", {"yard": "pw-yard"})
    text = broker_configuration(scenario())
    for line in ("require_certificate true", "use_identity_as_username true"):
        assert f"\n#{line}\n" in text
        text = text.replace(f"#{line}", line)
    with running(text, tmp_path) as broker:
        guard = Guard(broker.port, authority.ca)

        def with_certificate(name: str, client_id: str, by: Authority = authority) -> Wire:
            made = by.issue(name)
            guard.context.load_cert_chain(made.certificate, made.key)
            with kept_if_all_went_well(guard.dial()) as wire:
                wire.send(connect(client_id))
                wire.expect(Kind.CONNACK)
                return wire

        with with_certificate("north", "north") as board:
            board.send(subscribe(f"{ROOT}/north/job-order", 1))
            board.fence()
            with with_certificate("south", "north") as south:
                said(south, f"{ROOT}/north/job-order")
            assert board.fence() == []
            with with_certificate("yard", "yard") as supervisor:
                said(supervisor, f"{ROOT}/north/job-order")
            assert board.message().payload == b"x"
            with pytest.raises((Closed, OSError)):
                with_certificate("north", "north", stranger)
            assert board.fence() == []


@needs("mosquitto_pub")
def test_another_client_sees_the_same(guard: Guard, tmp_path: Path) -> None:
    """mosquitto's own clients: what a listener publishes comes to nobody, what the board publishes does."""
    ca = tmp_path / "ca.crt"
    ca.write_text("".join(map(ssl.DER_cert_to_PEM_cert, guard.context.get_ca_certs(binary_form=True))))
    common = ["-h", "localhost", "-p", str(guard.port), "--cafile", str(ca), "-t", STATUS, "-q", "1"]
    with listening(guard, LISTENERS[0]) as subscriber:
        for user in ("watcher-1", "north"):
            login = ["-i", "north", "-u", user, "-P", f"pw-{user}", "-m", user]
            subprocess.run(["mosquitto_pub", *common, *login], capture_output=True, timeout=20, check=False)
        assert heard(subscriber, guard) == [(STATUS, b"north")]
