"""Runs one command for the kit, and ends it with all that it has started as soon as the kit is gone.

Run by path, as `python -I -S watchdog.py STATUS FOLDER ALL COMMAND ...`, never imported: it has to start in a few
milliseconds. Standard input is a pipe that the kit holds open: its end means that the kit has ended, however it did,
killed too. A byte on it says that the kit is there and wants the command ended.

STATUS is a descriptor. The command's process id is written there, or the errno that it could not be run for; it is
closed once the command runs. FOLDER ('' for none) is taken away where the kit has gone without doing so. With ALL = 1
what the command has started is ended with it; with 0 a command that has ended may leave something running.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys

NOT_RUN = 127
ENDING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


def main() -> None:
    """Start the command, wait for its end or the kit's, and end as it did."""
    status, folder, everything, command = int(sys.argv[1]), sys.argv[2], sys.argv[3] == "1", sys.argv[4:]
    rung, bell = os.pipe()
    for end in (rung, bell):
        os.set_blocking(end, False)
    signal.set_wakeup_fd(bell, warn_on_full_buffer=False)
    signalled: list[int] = []
    signal.signal(signal.SIGCHLD, lambda *_: None)
    for number in ENDING:
        signal.signal(number, lambda number, _frame: signalled.append(number))
    child = _start(status, command)
    ended, gone = None, False
    while not signalled:
        ready = select.select([0, rung], [], [])[0]
        if 0 in ready:
            gone = not os.read(0, 1)
            break
        _drain(rung)
        ended = _ended(child) if ended is None else ended
        # One that has ended well may have started what goes on without it.
        if ended or (ended == 0 and not (everything and _others(child))):
            break
    if ended is None or (everything and _others(child)):
        _end(child)
    if gone:
        _take_away(folder)
    _leave(os.waitpid(child, 0)[1] if ended is None else ended)


def _start(status: int, command: list[str]) -> int:
    """Start it in a session of its own: what it starts can be ended with it."""
    child = os.fork()
    if child:
        os.close(status)
        return child
    try:
        os.setsid()
        os.set_inheritable(status, False)
        nothing = os.open(os.devnull, os.O_RDONLY)
        os.dup2(nothing, 0)
        os.write(status, b"%d\n" % os.getpid())
        for number in (*ENDING, signal.SIGCHLD, signal.SIGPIPE):
            signal.signal(number, signal.SIG_DFL)
        os.execvp(command[0], command)
    except OSError as error:
        os.write(status, str(error.errno).encode())
    finally:
        os._exit(NOT_RUN)


def _drain(rung: int) -> None:
    with contextlib.suppress(BlockingIOError):
        os.read(rung, 4096)


def _ended(child: int) -> int | None:
    """The status it ended with; None while it runs."""
    process, status = os.waitpid(child, os.WNOHANG)
    return status if process else None


def _others(child: int) -> bool:
    """Whether anything that it has started goes on in its group."""
    try:
        os.killpg(child, 0)
    except OSError:
        return False
    return True


def _end(child: int) -> None:
    """End its group, or it alone where it has not made the group yet."""
    for kill in (os.killpg, os.kill):
        try:
            kill(child, signal.SIGKILL)
        except OSError:
            continue
        return


def _take_away(folder: str) -> None:
    if folder:
        import shutil

        shutil.rmtree(folder, ignore_errors=True)


def _leave(status: int) -> None:
    """End as the command has: by the same signal, or with the same code."""
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        if number != signal.SIGKILL:
            signal.signal(number, signal.SIG_DFL)
        os.kill(os.getpid(), number)
    os._exit(os.WEXITSTATUS(status))


if __name__ == "__main__":
    main()
