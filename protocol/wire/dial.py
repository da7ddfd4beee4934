"""Opening the stream to a broker: TCP, with TLS if wanted."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass

from protocol.trouble import Trouble

DIAL_TIMEOUT_S = 5.0


@dataclass(frozen=True, slots=True)
class Endpoint:
    """Where and how to connect. `version` is 311 or 5; `tls` None means a plain connection."""

    host: str
    port: int
    user: str | None = None
    password: str | None = None
    tls: ssl.SSLContext | None = None
    version: int = 311

    def __str__(self) -> str:
        return f"{self.host}:{self.port}"


def dial(endpoint: Endpoint) -> socket.socket:
    """Open the stream; blocks for seconds at worst. Raises Trouble."""
    place, mend = str(endpoint), "Check host and port, and that the broker runs"
    try:
        sock = socket.create_connection((endpoint.host, endpoint.port), DIAL_TIMEOUT_S)
    except socket.gaierror as error:
        raise Trouble(f"this host is not known ({error.strerror})", where=place, mend=mend) from None
    except (OSError, ValueError, OverflowError) as error:
        why = getattr(error, "strerror", None) or error
        raise Trouble(f"no broker answers ({why})", where=place, mend=mend) from None
    # Else an answer waits some 40 ms for an acknowledgement of TCP.
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    if endpoint.tls is None:
        return sock
    try:
        return endpoint.tls.wrap_socket(sock, server_hostname=endpoint.host)
    except OSError as error:
        sock.close()
        mend = "Check the port, the CA file and the name in the broker's certificate"
        raise Trouble(f"no secure connection ({error})", where=place, mend=mend) from None


class Dialler:
    """Dials on a thread of its own: a host that is not there must not hold up anything else."""

    def __init__(self, endpoint: Endpoint, done: Callable[[], object]) -> None:
        """Start at once; `done` is called on that thread when `result` can be taken."""
        self._endpoint = endpoint
        self._done = done
        self._socket: socket.socket | None = None
        self._error: BaseException | None = None
        self._dropped = False
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, name=f"dial {endpoint}", daemon=True)
        self._thread.start()

    @property
    def finished(self) -> bool:
        """Whether `result` would give an answer without waiting."""
        return self._socket is not None or self._error is not None

    def result(self) -> socket.socket:
        """Wait for the end; give the socket, which is then the caller's. Raises Trouble, or what else went wrong."""
        self._thread.join()
        if self._socket is None:
            raise self._error or Trouble("dialling failed", where=str(self._endpoint))
        return self._socket

    def drop(self) -> None:
        """Close what has come of it, or what still comes of it; waits for nothing."""
        with self._lock:
            self._dropped = True
            sock, self._socket = self._socket, None
        if sock is not None:
            sock.close()

    def _run(self) -> None:
        try:
            sock = dial(self._endpoint)
        except BaseException as error:  # noqa: BLE001 - it belongs to whoever asks for the result
            self._error = error
        else:
            with self._lock:
                if not self._dropped:
                    self._socket = sock
            if self._socket is not sock:
                sock.close()
        finally:
            self._done()
