"""Why a broker could not be reached: the network, TLS and its certificates, or the wrong protocol, in words."""

from __future__ import annotations

import socket
import ssl
import time
from typing import Any

from protocol.trouble import Trouble
from protocol.wire import broker_probe
from protocol.wire.endpoint import Endpoint

_PORT = "Check that host and port are those of an MQTT broker"
_UNKNOWN_CA = frozenset({2, 18, 19, 20, 21})
"""X509_V_ERR_... of OpenSSL: an issuer that cannot be found, or a certificate that signs itself."""
_NOT_YET, _EXPIRED, _OTHER_NAME = 9, 10, frozenset({62, 64})

_ALERTS = {
    "CERTIFICATE_REQUIRED": "the broker wants a client certificate, and none was shown",
    "HANDSHAKE_FAILURE": "the broker ends the TLS handshake; it may want a client certificate",
    "CERTIFICATE_EXPIRED": "the broker refuses our client certificate: it has expired",
    "UNKNOWN_CA": "the broker refuses our client certificate: it does not know the CA that signed it",
    "BAD_CERTIFICATE": "the broker refuses our client certificate",
    "UNSUPPORTED_CERTIFICATE": "the broker refuses our client certificate: it is of a kind not meant for clients",
    "CERTIFICATE_REVOKED": "the broker refuses our client certificate: it is revoked",
    "CERTIFICATE_UNKNOWN": "the broker refuses our client certificate",
    "ACCESS_DENIED": "the broker refuses our client certificate: it has no access",
}
"""Alerts of TLS (RFC 8446 section 6.2), by the end of OpenSSL's name for them."""
_OURS = "Name a client certificate and its key that this broker accepts (--cert FILE, --key FILE)"


def trouble_of(endpoint: Endpoint, error: OSError, *, look: bool = True) -> Trouble:
    """What went wrong while connecting, in the TLS handshake or before the first answer came.

    With `look` it connects once more, for some seconds at worst, to see what a certificate holds and who speaks what:
    at a first attempt, for a person; who tries again by himself need not know.
    """
    match error:
        case socket.gaierror():
            what, fix = f"there is no host {endpoint.host!r}", "Check its name, and that the network is up"
        case ssl.SSLCertVerificationError():
            return _not_trusted(endpoint, error, broker_probe.certificate_of(endpoint) if look else {})
        case ssl.SSLEOFError():
            return unanswered(endpoint, look=look)
        case ssl.SSLError():
            return _tls(endpoint, error)
        case ConnectionRefusedError():
            fix = "Start the broker ('yardwire broker' on a bench), or check host and port"
            what = "nothing listens there"
        case TimeoutError():
            what, fix = "there is no answer", "Check host, port and any firewall in between"
        case ConnectionResetError() | BrokenPipeError():
            return unanswered(endpoint, look=look)
        case _:
            what, fix = f"it cannot be reached ({error.strerror or error})", "Check host and port"
    return Trouble(what, where=str(endpoint), fix=fix)


def unanswered(endpoint: Endpoint, *, look: bool = True) -> Trouble:
    """The broker has closed the connection without a word: often the one side speaks TLS and the other does not."""
    seen = _seen(endpoint) if look else None
    if seen is not None:
        return seen
    what = "the connection was closed before an answer came"
    return Trouble(what, where=str(endpoint), fix=f"{_PORT}, and whether it speaks TLS (mqtts://)")


def _seen(endpoint: Endpoint) -> Trouble | None:
    """What a second look shows, if it shows why."""
    where = str(endpoint)
    if endpoint.tls is None and broker_probe.speaks_tls(endpoint):
        fix = "Write mqtts://, and name the CA's certificate if this broker has a CA of its own (--ca FILE)"
        return Trouble("this port speaks TLS, and was spoken to in plain text", where=where, fix=fix)
    if endpoint.tls is not None and broker_probe.speaks_plain_mqtt(endpoint):
        fix = "Name the port on which this broker speaks TLS, usually 8883"
        return Trouble("this port speaks plain MQTT, without TLS", where=where, fix=fix)
    alert = broker_probe.alert_of(endpoint) if endpoint.tls is not None else None
    return None if alert is None else _tls(endpoint, alert)


def _not_trusted(
    endpoint: Endpoint, error: ssl.SSLCertVerificationError, certificate: dict[str, Any]
) -> Trouble:
    code = error.verify_code
    if code in _UNKNOWN_CA:
        what = "it is signed by a CA that is not trusted here (unknown CA)"
        fix = "Name the certificate of the CA that signed it (--ca FILE)"
    elif code in _OTHER_NAME:
        what = f"it is not made out to {endpoint.host!r}{_names(certificate)}"
        fix = "Name the broker as its certificate does, or have one made that names this host"
    elif code == _EXPIRED:
        what = f"it has expired{_since(certificate, 'notAfter')}"
        fix = "Have a new one made, or set this machine's clock"
    elif code == _NOT_YET:
        what = f"it is not valid yet{_since(certificate, 'notBefore')}"
        fix = "Set this machine's clock, or wait"
    else:
        what, fix = error.verify_message, "Have a new one made by a CA that is trusted here"
    return Trouble(f"the broker's certificate is not accepted: {what}", where=str(endpoint), fix=fix)


def _names(certificate: dict[str, Any]) -> str:
    """Whom it is made out to; nothing where it could not be seen."""
    names = [name for _, name in certificate.get("subjectAltName", ())]
    shown = ", ".join(ascii(name)[1:-1] for name in names[:5])
    return f" but to {shown}" if shown else ""


def _since(certificate: dict[str, Any], field: str) -> str:
    """Which side of its time we are on, with our own clock; nothing where it is another certificate's time."""
    date = certificate.get(field)
    now = time.time()
    if not isinstance(date, str):
        return ""
    then = ssl.cert_time_to_seconds(date)
    if (then < now) is not (field == "notAfter"):
        return " (not the broker's own, but that of a CA above it)"
    word = "on" if field == "notAfter" else "until"
    return f" ({word} {_day(then)}; this machine's clock says {_day(now)})"


def _day(seconds: float) -> str:
    return time.strftime("%Y-%m-%d %H:%M UTC", time.gmtime(seconds))


def _tls(endpoint: Endpoint, error: ssl.SSLError) -> Trouble:
    reason = error.reason or ""
    for name, what in _ALERTS.items():
        if reason.endswith(f"ALERT_{name}"):
            return Trouble(what, where=str(endpoint), fix=_OURS)
    if reason in ("WRONG_VERSION_NUMBER", "UNKNOWN_PROTOCOL", "HTTP_REQUEST", "PACKET_LENGTH_TOO_LONG"):
        fix = "Name the port on which this broker speaks TLS, usually 8883"
        return Trouble("what answers there does not speak TLS", where=str(endpoint), fix=fix)
    told = reason.lower().replace("_", " ") or str(error)
    return Trouble(f"TLS fails ({told})", where=str(endpoint), fix="Check that this port speaks TLS")
