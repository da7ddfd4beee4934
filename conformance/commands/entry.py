"""Where the program `yardwire` begins: it can be stopped before anything else is imported."""

from __future__ import annotations

import signal

if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
    # Until the signals are taken below it ends by the signal itself, not by an error in the middle of an import.
    signal.signal(signal.SIGINT, signal.SIG_DFL)

import sys
from typing import NoReturn

from conformance.commands.terminal.stopping import (
    STOPPED_BY_CTRL_C,
    Stopped,
    end_process,
    stoppable,
    unwrapped,
)


def main() -> NoReturn:
    """Run `yardwire` with the program's own arguments and exit with its code."""
    try:
        with stoppable():
            code = _run()
            end_process(code)
    except Stopped as early:
        # The signal came while the signals were being taken.
        code = _told(early)
    sys.exit(code)


def _run() -> int:
    try:
        from conformance.commands.main import run

        return run(sys.argv[1:])
    except BaseException as ending:
        stopped = unwrapped(ending)
        if not isinstance(stopped, Stopped):
            raise
        return _told(stopped)


def _told(stopped: Stopped) -> int:
    if stopped.exit_code == STOPPED_BY_CTRL_C:
        sys.stderr.write("stopped by Ctrl-C\n")
    return stopped.exit_code


if __name__ == "__main__":
    main()
