"""Opening the stream to a broker: TCP, with TLS if wanted."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable

from protocol.trouble import Trouble
from protocol.wire.connect_trouble import trouble_of
from protocol.wire.endpoint import Endpoint

DIAL_TIMEOUT_S = 5.0


def dial(endpoint: Endpoint, *, look: bool = True) -> socket.socket:
    """Open the stream; blocks for seconds at worst. Raises Trouble, after a second look at what is there if `look`."""
    try:
        sock = socket.create_connection((endpoint.host, endpoint.port), DIAL_TIMEOUT_S)
    except OSError as error:
        raise trouble_of(endpoint, error, look=look) from None
    except (ValueError, OverflowError) as error:
        raise Trouble(
            f"it cannot be reached ({error})", where=str(endpoint), fix="Check host and port"
        ) from None
    try:
        # Else an answer waits some 40 ms for an acknowledgement of TCP.
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if endpoint.tls is not None:
            sock = endpoint.tls.wrap_socket(sock, server_hostname=endpoint.host)
    except OSError as error:
        sock.close()
        raise trouble_of(endpoint, error, look=look) from None
    except BaseException:
        sock.close()
        raise
    return sock


class Dialler:
    """Dials on a thread of its own: a host that is not there must not hold up anything else."""

    def __init__(self, endpoint: Endpoint, done: Callable[[], object], *, look: bool = False) -> None:
        """Start at once; `done` is called on that thread when `result` can be taken; `look` as for `dial`."""
        self._look = look
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
            sock = dial(self._endpoint, look=self._look)
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
