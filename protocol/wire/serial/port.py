"""A serial port by pyserial, opened so that the board behind it is disturbed as little as the system allows."""

from __future__ import annotations

import os
import termios
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Protocol

from protocol.trouble import Trouble

if TYPE_CHECKING:
    import serial

CHUNK = 4096


class LineGone(Exception):
    """The port is not there any more: unplugged, or its other end is closed."""


class Line(Protocol):
    """Bytes to and from whatever is at the other end, without waiting."""

    def fileno(self) -> int:
        """What to wait on."""

    def read(self) -> bytes:
        """What has come; b'' where nothing has. Raises LineGone."""

    def write(self, data: bytes) -> int:
        """Send; gives how many bytes were taken. Raises LineGone."""

    def close(self) -> None:
        """Let go of it."""


OpenLine = Callable[[], Line]
"""Opens a line. Raises Trouble where it cannot be opened now."""


class SerialPort:
    """One open port: 8 data bits, no parity, one stop bit, no flow control."""

    def __init__(self, path: str, rate: int) -> None:
        """Open it for this program alone. Raises Trouble."""
        self._port = _opened(path, rate)
        self._leave_dtr()

    def fileno(self) -> int:
        """Its file descriptor."""
        return int(self._port.fileno())

    def read(self) -> bytes:
        """What has come; b'' where nothing has. Raises LineGone."""
        try:
            data = os.read(self.fileno(), CHUNK)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise LineGone(error.strerror or str(error)) from None
        if not data:
            raise LineGone("it was unplugged")
        return data

    def write(self, data: bytes) -> int:
        """Send; gives how many bytes were taken. Raises LineGone."""
        try:
            return os.write(self.fileno(), data)
        except BlockingIOError:
            return 0
        except OSError as error:
            raise LineGone(error.strerror or str(error)) from None

    def close(self) -> None:
        """Close it, with DTR as it is."""
        with suppress(OSError):
            self._port.close()

    def _leave_dtr(self) -> None:
        """Without HUPCL the last close drops DTR no more: a board with auto-reset is not reset by the next opening."""
        with suppress(termios.error):  # no such thing on this kind of port
            modes = termios.tcgetattr(self.fileno())
            modes[2] &= ~termios.HUPCL
            termios.tcsetattr(self.fileno(), termios.TCSANOW, modes)


def _opened(path: str, rate: int) -> serial.Serial:
    try:
        return _untouched()(path, rate, timeout=0, write_timeout=0, exclusive=True)
    except (OSError, ValueError) as error:
        raise _trouble(path, error) from None


def _untouched() -> type[serial.Serial]:
    require_pyserial()
    import serial

    class Untouched(serial.Serial):
        """Pyserial sets DTR and RTS at every opening; an edge on either resets many boards."""

        def _update_dtr_state(self) -> None:
            pass

        def _update_rts_state(self) -> None:
            pass

    return Untouched


def _trouble(path: str, error: Exception) -> Trouble:
    text = str(error)
    if isinstance(error, ValueError):
        return Trouble(f"the port does not support this rate ({text})", where=path)
    if "Errno 13" in text:
        fix = "Add yourself to the group that owns it ('ls -l' shows which), log out and in again"
        return Trouble("no permission to open it", where=path, fix=fix)
    if "Errno 11" in text or "Errno 16" in text or "exclusively lock" in text:
        return Trouble("another program has it open", where=path, fix="Close that program first")
    fix = "'yardwire link --list' names the ports that are there"
    return Trouble("there is no such port", where=path, fix=fix)


def require_pyserial() -> None:
    """Raise Trouble where the library is not installed; it is imported only where it is needed."""
    try:
        import serial  # noqa: F401
    except ImportError:
        fix = "Install it: pip install 'yardwire[serial]'"
        raise Trouble("serial lines need the package pyserial, which is not installed", fix=fix) from None


def ports_here() -> list[tuple[str, str]]:
    """The serial ports of this machine, each with what is known of it. Raises Trouble without the library."""
    require_pyserial()
    from serial.tools.list_ports import comports

    return sorted((port.device, "" if port.description == "n/a" else port.description) for port in comports())
