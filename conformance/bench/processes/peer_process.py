"""The process at the other end of a connection, where it runs on this machine: how long it waited for a processor.

Linux alone tells that, in `/proc/PID/task/TID/schedstat` (the kernel's Documentation/scheduler/sched-stats.rst: the
second figure is the time spent waiting on a run queue). Elsewhere, and for a board in the network, nothing is told.
"""

from __future__ import annotations

import os
from contextlib import suppress
from ipaddress import ip_address
from itertools import pairwise
from pathlib import Path

PROC = Path("/proc")
End = tuple[str, int]
"""Address and port of one end of a connection."""


class PeerProcess:
    """One process, known by its id, or several that work together."""

    def __init__(self, process_id: int, *beside: int) -> None:
        self.process_id = process_id
        self._ids = (process_id, *beside)
        self._waited: dict[str, int] = {}
        """Nanoseconds that each of its threads has waited by the last look."""
        self.waited_ms()

    def waited_ms(self) -> float:
        """How long its thread that waited longest has waited since the last look, in milliseconds; 0 at its end."""
        before, self._waited = self._waited, self._look()
        return max((ns - before.get(thread, ns) for thread, ns in self._waited.items()), default=0) / 1e6

    def _look(self) -> dict[str, int]:
        found: dict[str, int] = {}
        for process_id in self._ids:
            with suppress(OSError):
                for thread in (PROC / str(process_id) / "task").iterdir():
                    with suppress(
                        OSError, ValueError, IndexError
                    ):  # the thread has ended, or nothing is counted
                        found[thread.name] = int((thread / "schedstat").read_text().split()[1])
        return found


def peer_process(peer: End, here: End, port: str = "") -> PeerProcess | None:
    """The process that has the end `peer` of a connection to `here`; None where it is elsewhere or not told.

    `port` is the serial port behind it: where that is a pseudo-terminal, whoever plays the board there counts too, and
    whoever hands its bytes on to another pseudo-terminal.
    """
    if not (_is_loopback(peer[0]) and PROC.joinpath("self", "schedstat").exists()):
        return None
    inode = _inode_of(peer[1], here[1])
    owner = None if inode is None else _owner_of(f"socket:[{inode}]")
    return None if owner is None else PeerProcess(owner, *_players_of(port))


def _players_of(port: str) -> tuple[int, ...]:
    """The process that has the other end of a pseudo-terminal, and those at the further ones that it has.

    Source: proc(5), /proc/pid/fdinfo: 'tty-index'.
    """
    parent, _, number = os.path.realpath(port).rpartition("/") if port else ("", "", "")
    if parent != "/dev/pts" or not number.isdigit():
        return ()
    ends = {int(one.name): _terminals_of(one) for one in PROC.iterdir() if one.name.isdigit()}
    holder = next((process for process, (masters, _) in ends.items() if number in masters), None)
    if holder is None:
        return ()
    further = ends[holder][0] - {number}
    return holder, *(one for one, (_, slaves) in ends.items() if one != holder and slaves & further)


def _terminals_of(process: Path) -> tuple[set[str], set[str]]:
    """The numbers of the pseudo-terminals of which a process has the master, and of those that it has open."""
    masters, slaves = set(), set()
    with suppress(OSError):  # it has ended, or is another user's
        for one in (process / "fd").iterdir():
            with suppress(OSError):  # it has just been closed
                end = one.readlink()
                if end.name == "ptmx":
                    told = (process / "fdinfo" / one.name).read_text().split()
                    masters |= {number for word, number in pairwise(told) if word == "tty-index:"}
                elif end.parent == Path("/dev/pts"):
                    slaves.add(end.name)
    return masters, slaves


def _is_loopback(host: str) -> bool:
    try:
        address = ip_address(host.partition("%")[0])
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    return bool((mapped or address).is_loopback)


def _inode_of(local: int, remote: int) -> int | None:
    """The inode of the socket between two ports of this machine, as proc(5) has it."""
    for name in ("tcp", "tcp6"):
        with suppress(OSError):
            for line in PROC.joinpath("net", name).read_text().splitlines()[1:]:
                words = line.split()
                if [int(one.rpartition(":")[2], 16) for one in words[1:3]] == [local, remote]:
                    return int(words[9])
    return None


def _owner_of(link: str) -> int | None:
    for process in PROC.iterdir():
        if not process.name.isdigit():
            continue
        with suppress(OSError):  # it has ended, or is another user's
            if any(str(one.readlink()) == link for one in (process / "fd").iterdir()):
                return int(process.name)
    return None
