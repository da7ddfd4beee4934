"""The command as a program of its own, for `python -c`."""

from __future__ import annotations

YARDWIRE = (
    # A test run in the background of a shell has SIGINT ignored, and children inherit that.
    "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
    "from conformance.commands.main import main; main()"
)
