"""Whether a broker lets one user be connected several times at once."""

from __future__ import annotations

from conformance.bench.brokers.probe import admitted
from conformance.bench.connection.address import Address
from conformance.bench.mqtt.framing import packet
from protocol.trouble import Trouble

_PINGREQ = packet(0xC0, b"")


def require_several(
    address: Address, why: str, *, instead: str = "Leave out --broker: the kit starts one of its own"
) -> None:
    """Raise Trouble where a second connection of the same user throws off the first.

    So it is where a broker takes the user's name for the client identifier. There the look itself throws off whoever
    has that login, so it comes behind a person's yes. `why` says what needs several, and `instead` what may be done.
    """
    if not address.logs_in:
        return  # Such a broker lets in nobody without a name.
    with admitted(address) as first:
        with admitted(address):
            pass
        try:
            # It was thrown off, if it was, before the second was let in.
            first.sendall(_PINGREQ)
            alive = first.recv(1) != b""
        except OSError:
            alive = False
    if not alive:
        raise Trouble(
            f"this broker lets {address.login_name} be connected once at a time, and {why}",
            where=address.name,
            fix=instead,
        )
