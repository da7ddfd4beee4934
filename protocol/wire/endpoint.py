"""Where a broker is, and how to be let in, ready to be dialled."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import ssl


@dataclass(frozen=True, slots=True)
class Endpoint:
    """Where and how to connect. `version` is 311 or 5; `tls` None means a plain connection."""

    host: str
    port: int
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: ssl.SSLContext | None = None
    version: int = 311

    def __str__(self) -> str:
        """Its URL, without user and password."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtt' if self.tls is None else 'mqtts'}://{host}:{self.port}"
