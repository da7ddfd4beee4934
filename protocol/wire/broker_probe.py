"""A second look at a broker that could not be reached as asked: what it shows, and which protocol it speaks.

Nothing secret is sent: no user and no password.
"""

from __future__ import annotations

import socket
import ssl
from contextlib import suppress
from typing import Any

from protocol.wire.endpoint import Endpoint

LOOK_S = 1.5
_NO_TIME_CHECK = 0x200000
"""X509_V_FLAG_NO_CHECK_TIME of OpenSSL's X509_VERIFY_PARAM_set_flags(3), which Python does not name."""
_CONNECT = b"\x10\x10\x00\x04MQTT\x04\x02\x00\x05\x00\x04look"
"""A CONNECT of MQTT 3.1.1 (section 3.1) with a clean session and the client identifier 'look', by nobody."""


def certificate_of(endpoint: Endpoint) -> dict[str, Any]:
    """What stands in a broker's certificate that our CA has signed, of whatever name and time; {} if there is none."""
    assert endpoint.tls is not None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_flags |= _NO_TIME_CHECK
    known = endpoint.tls.get_ca_certs(binary_form=True)
    if known:
        context.load_verify_locations(cadata=b"".join(known))
    found: dict[str, Any] | None = None
    with (
        suppress(OSError),
        socket.create_connection((endpoint.host, endpoint.port), LOOK_S) as plain,
        context.wrap_socket(plain) as secure,
    ):
        found = secure.getpeercert()
    return found or {}


def alert_of(endpoint: Endpoint) -> ssl.SSLError | None:
    """What a broker says to our client certificate, or to none, where nothing else is sent.

    In TLS 1.3 it judges after our side of the handshake has ended. A CONNECT that is on its way by then makes it reset
    the connection, and the alert with its reason is lost.
    """
    assert endpoint.tls is not None
    try:
        with (
            socket.create_connection((endpoint.host, endpoint.port), LOOK_S) as plain,
            endpoint.tls.wrap_socket(plain, server_hostname=endpoint.host) as secure,
        ):
            secure.recv(1)
    except ssl.SSLEOFError:
        return None
    except ssl.SSLError as error:
        return error
    except OSError:
        return None
    return None


def speaks_tls(endpoint: Endpoint) -> bool:
    """Whether a TLS handshake succeeds there, whoever it is."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    with (
        suppress(OSError),
        socket.create_connection((endpoint.host, endpoint.port), LOOK_S) as plain,
        context.wrap_socket(plain),
    ):
        return True
    return False


def speaks_plain_mqtt(endpoint: Endpoint) -> bool:
    """Whether a CONNECT in plain text is answered by a CONNACK, a welcome or not."""
    with suppress(OSError), socket.create_connection((endpoint.host, endpoint.port), LOOK_S) as plain:
        plain.sendall(_CONNECT)
        return plain.recv(1) == b"\x20"
    return False
