"""What a broker's refusal of a CONNECT means, and what to do about it."""

from __future__ import annotations

from protocol.trouble import Trouble
from protocol.wire.endpoint import Endpoint

_VERSION, _ID, _SERVICE = (
    "it does not speak this MQTT version",
    "it rejects the client id",
    "its MQTT service is not available",
)
_LOGIN, _RIGHTS = "it refuses the user name or password", "it does not authorise us"
REFUSALS = {
    1: _VERSION,
    2: _ID,
    3: _SERVICE,
    4: _LOGIN,
    5: _RIGHTS,
    0x84: _VERSION,
    0x85: _ID,
    0x86: _LOGIN,
    0x87: _RIGHTS,
    0x88: _SERVICE,
    0x89: "it is busy",
    0x8A: "it has banned us",
    0x8C: "it wants another way of authentication",
}
"""MQTT 3.1.1 table 3.1 (1 to 5) and MQTT 5 table 3-1 (0x80 up), in our words."""


def refused(endpoint: Endpoint, code: int) -> Trouble:
    """The CONNACK of `endpoint` has this return or reason code."""
    why = REFUSALS.get(code, f"return code {code}")
    return Trouble(f"the broker refuses the connection: {why}", where=str(endpoint), fix=_fix(endpoint, why))


def _fix(endpoint: Endpoint, why: str) -> str | None:
    if why not in (_LOGIN, _RIGHTS):
        return None
    if endpoint.user is None:
        return "Name a user that this broker knows (--user) and the file of its password (--password-file)"
    return f"Check that this broker knows the user {endpoint.user!r}, and the password (--password-file)"
