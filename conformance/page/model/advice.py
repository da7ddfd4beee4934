"""What a person can do about what the page shows, in an order of one sentence or two."""

from __future__ import annotations

import errno
import re

OF_FAULTS = {
    "bad-message": "Look under 'What was wrong lately' for the order, and correct whoever sent it.",
    "load-unsure": "Hands clear, motor power off; then look at the spreader and answer the question about it.",
    "boot-lost": "Check the memory that keeps the boot counter; ids of earlier orders may come again.",
    "memory-low": "Restart the board at rest, and look for what grows in its firmware.",
    "home-missed": "Motor power off; then check the home switch, its wire and whether the axis can move.",
    "axis-stuck": "Motor power off; then look for what blocks the axis, and check motor and belt.",
    "pick-missed": "Look whether the box stands where it should; say what stands there, then answer the question.",
    "drop-failed": "Motor power off; then see why the spreader holds the box, and take it out by hand.",
    "power-lost": "Find out who switched it off and why. Switch it on only when nobody has a hand in a machine.",
    "not-armed": "Motor power off; then check the arming sensor and the magnet of the train.",
    "end-missed": "Motor power off; the train may have passed the end. Check the end sensor and the magnet.",
    "train-stuck": "Motor power off; then look whether the train is derailed or coupled to something.",
    "stop-missed": "Motor power off; then look where the shuttle stands, and check the sensor of its stop.",
    "input-lost": "Compare the lamps under 'Sensors' with the machine while you move it by hand, power off.",
}
"""By the code of the fault."""
OF_STATES = {
    "silent": "See whether the board has power and its network; do not believe what is shown of it.",
    "off": "Switch it on, or see why its connection was lost.",
    "not-heard": "Switch it on; see whether it has the right broker, site and name.",
    "bench": "Nothing, if it is being tested. Restart it out of the bench mode before it is to serve.",
    "stranger": "Add it to the site file, or take it off this broker.",
    "digest": "Build its firmware again with the digest that 'yardwire site digest' prints.",
    "lost": "Go and look how it stands, with motor power off, and answer the question about it.",
    "faulted": "Do what its fault above says; then reset the fault.",
    "manual": "Hands clear before it is let go. It takes orders again when it is not moved by hand any more.",
    "unhomed": "Hands clear; then order 'home'.",
    "held": "See who held it and why; resume it by its name when all hands are clear.",
    "load": "Motor power off; then look at the spreader, and answer the question about it.",
    "blocked": "Clear what blocks the place; then say what stands there.",
    "drift": "Compare the charts of 'yardwire trend', and look for what wears or has come loose.",
}
"""By the kind of what is shown."""

LINKS = {
    errno.ECONNRESET: "the connection was cut by the broker or on the way. See whether the broker has restarted",
    errno.EPIPE: "the broker closed the connection. See whether it has restarted",
    errno.ECONNREFUSED: "nothing listens there. See whether the broker runs, and on that port",
    errno.ETIMEDOUT: "no answer came. See whether the network is there",
    errno.EHOSTUNREACH: "there is no way to that machine. See whether it is on, and in this network",
    errno.ENETUNREACH: "this machine has no network. See whether it is connected",
    errno.ECONNABORTED: "this machine gave the connection up. See whether the network is there",
}
"""By the number of the system's error."""
_ERRNO = re.compile(r"\[Errno (\d+)\] ([A-Za-z ]+)")


def of_trouble(kind: str) -> str:
    """What to do where something of this kind is shown; '' for none."""
    return OF_FAULTS.get(kind) or OF_STATES.get("drift" if kind.startswith("drift-") else kind, "")


def link_in_words(text: str) -> str:
    """Why the bus is not heard, without the system's numbers."""
    return _ERRNO.sub(lambda found: LINKS.get(int(found[1]), found[2].strip().lower()), text)
