"""How far the live page is behind the bus. Needs chromium.

Twenty nodes and a hundred, from the publishing of a message to the change in a real Chromium's document.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from statistics import median, quantiles
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, NamedTuple

from benchmarks.row import Row
from conformance.bench.brokers.broker import start_broker
from conformance.bench.brokers.probe import connect_packet
from conformance.bench.mqtt.framing import packet, string
from protocol.codec import encode
from protocol.site import Encoding
from protocol.specification import specification

if TYPE_CHECKING:
    from playwright.sync_api import Page

SITE = "bench-yard"
BOUND_MS = 250


class Fleet(NamedTuple):
    """So many of each; a supervisor comes on top."""

    cranes: int
    berths: int
    shuttles: int

    @property
    def nodes(self) -> int:
        """All of them."""
        return sum(self) + 1


TWENTY, HUNDRED = Fleet(9, 5, 5), Fleet(40, 30, 29)
LOADS = ((TWENTY, 200, True), (HUNDRED, 2_000, True), (TWENTY, 4_000, False))
"""Nodes, messages a second of all of them together, and whether the bound is meant to hold there."""
WATCH_FOR = """name => {
  window.seen = [];
  const told = document.querySelector(`[data-says="crane/${name}"]`);
  new MutationObserver(() => {
    const number = /at (\\d+)/.exec(told.textContent);
    if (number) window.seen.push([Number(number[1]), Date.now()]);
  }).observe(told, { childList: true, characterData: true, subtree: true });
}"""


def site_text(fleet: Fleet = TWENTY) -> str:
    """A site of so many nodes: cranes with a stack each, berths, shuttles, a supervisor."""
    return "\n".join([f'site = "{SITE}"\nprotocol = 1', *_crane_parts(fleet), *_other_parts(fleet)])


def _crane_parts(fleet: Fleet) -> Iterator[str]:
    for number in range(fleet.cranes):
        name = f"crane-{number}"
        yield f'[places.stack-{number}]\nkind = "stack"\ncolumns = 4\ntiers = 2'
        yield f'[nodes.{name}]\nroles = ["crane"]'
        yield f"[nodes.{name}.crane]\nload_sensor = true\ntravel = 0"
        for axis, most in (("x", 30000), ("y", 240), ("z", 160)):
            yield (
                f'[[nodes.{name}.crane.axes]]\nname = "{axis}"\nunit = "mm"\nleast = 0\nmost = {most}\n'
                "home = 0\npark = 0\nspeed = 400\nacceleration = 800"
            )
        slots = [[100 + 120 * column, 60, 140 - 30 * tier] for column in range(4) for tier in range(2)]
        yield f"[nodes.{name}.crane.places.stack-{number}]\nslots = {slots}"


def _other_parts(fleet: Fleet) -> Iterator[str]:
    for number in range(fleet.berths):
        yield f'[places.track-{number}]\nkind = "track"\nnode = "berth-{number}"\ncolumns = 3'
        yield (
            f'[nodes.berth-{number}]\nroles = ["berth"]\n[nodes.berth-{number}.berth]\ndebounce_ms = 3\n'
            "arming_timeout_ms = 30000\nend_timeout_ms = 10000\nclear_ms = 3000\ntolerance = 3\n"
            "arming_to_end = 1600\nend_window = 140"
        )
    for number in range(fleet.shuttles):
        yield f'[places.deck-{number}]\nkind = "deck"\nnode = "car-{number}"\ncolumns = 1'
        yield (
            f'[nodes.car-{number}]\nroles = ["shuttle"]\n[nodes.car-{number}.shuttle]\nstops = ["one", "two"]\n'
            "debounce_ms = 3\nrun_timeout_ms = 10000"
        )
    yield '[nodes.yard]\nroles = ["supervisor"]'


class Chatter:
    """Says what the nodes of a fleet might say, all of it valid, round and round; `crane-0` counts in its position."""

    def __init__(self, fleet: Fleet = TWENTY) -> None:
        self._fleet = fleet
        self._began = time.monotonic()
        self._seq = 0
        self._probe = 0
        self.published: list[tuple[int, float]] = []
        """Number in the position of crane-0, and the wall clock in ms just before it went out."""

    def round(self) -> Iterator[bytes]:
        """One message of every node."""
        self._seq = (self._seq + 1) % (1 << 16)
        state = {
            "boot": 7, "seq": self._seq, "uptime": int((time.monotonic() - self._began) * 1000), "mark": 1,
            "held": False, "holds": 0,
        }  # fmt: skip
        for number in range(self._fleet.cranes):
            at = self._next() if number == 0 else self._seq % 400
            axes = [[at, at, True], [60, 60, True], [0, 0, True]]
            body = {**state, "mode": "ready", "axes": axes, "spreader": "open", "load": "none"}
            yield _publish(f"crane-{number}", "crane-status", body)
        for number in range(self._fleet.berths):
            body = {**state, "state": "empty", "arrival": 0, "ignored": 0}
            yield _publish(f"berth-{number}", "train-arrival", body)
        for number in range(self._fleet.shuttles):
            body = {**state, "state": "at-place", "place": "one", "stop": 1, "load": "none"}
            yield _publish(f"car-{number}", "shuttle-status", body)
        slots = {name: state[name] for name in ("boot", "seq", "uptime")}
        box = ["C-1", "" if self._seq % 2 else "C-2", *[""] * 6]
        body = {**slots, "slots": box, "state": "running", "rests_on": [["crane-0", 7, 1]]}
        yield _publish("yard", "yard-map/stack-0", body)

    def _next(self) -> int:
        self._probe = self._probe % 29_999 + 1
        self.published.append((self._probe, time.time() * 1000))
        return self._probe


def _publish(node: str, message: str, body: dict[str, Any]) -> bytes:
    topic = f"{specification().root}/{SITE}/{node}/{message}"
    return packet(0x30, string(topic) + encode(message.partition("/")[0], body, Encoding.CBOR))


@dataclass(frozen=True, slots=True)
class Measured:
    """One run."""

    rate: float
    lags: list[float]
    """Of every message of crane-0, in order: ms until the document shows it or a newer one."""
    processor: float
    """Share of one core that `yardwire watch` used."""


def run(rate: int, seconds: float, fleet: Fleet = TWENTY) -> Measured:
    """Talk at `rate` for so long, while a browser looks."""
    from playwright.sync_api import sync_playwright

    with TemporaryDirectory() as folder, start_broker("auto") as broker, sync_playwright() as playwright:
        path = Path(folder) / "site.toml"
        path.write_text(site_text(fleet), encoding="utf-8")
        command = [
            sys.executable,
            "-m",
            "conformance.commands.main",
            "watch",
            "--site",
            str(path),
            "--broker",
            broker.url,
        ]
        watch = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        try:
            assert watch.stdout is not None
            url = watch.stdout.readline().split(" live: ")[1].strip()
            browser = playwright.chromium.launch(
                executable_path=shutil.which("chromium"), args=["--no-sandbox"]
            )
            page = browser.new_page()
            page.goto(url)
            page.locator("#link.up").wait_for()
            page.evaluate(WATCH_FOR, "crane-0")
            began = os.times().elapsed
            chatter, said = Chatter(fleet), _talk(broker.port, rate, seconds, page, fleet.nodes)
            count = said(chatter)
            took = os.times().elapsed - began
            last = re.compile(rf"at {chatter.published[-1][0]} ")
            page.locator('[data-says="crane/crane-0"]', has_text=last).wait_for()
            seen = [tuple(pair) for pair in page.evaluate("window.seen")]
            browser.close()
        finally:
            before = os.times()
            watch.send_signal(signal.SIGINT)
            watch.wait(20)
            after = os.times()
    used = after.children_user + after.children_system - before.children_user - before.children_system
    return Measured(count / took, lags(chatter.published, seen), used / took)


def _talk(port: int, rate: int, seconds: float, page: Page, nodes: int) -> Any:
    def say(chatter: Chatter) -> int:
        count = 0
        with socket.create_connection(("127.0.0.1", port)) as sock:
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            sock.sendall(connect_packet("chatter", level=4, user=None, password=None))
            began = time.monotonic()
            while (now := time.monotonic()) - began < seconds:
                due = int((now - began) * rate)
                while count < due:
                    for said in chatter.round():
                        sock.sendall(said)
                    count += nodes
                page.wait_for_timeout(max(1.0, 1000 * nodes / rate / 4))
            sock.sendall(packet(0xE0, b""))
        return count

    return say


def lags(published: list[tuple[int, float]], seen: list[tuple[int, float]]) -> list[float]:
    """For every published number the time until it, or a later one, was shown. Numbers only grow."""
    found, at = [], 0
    for number, published_ms in published:
        while seen[at][0] < number:
            at += 1
        found.append(seen[at][1] - published_ms)
    return found


def rows(seconds: float = 20.0) -> Iterator[Row]:
    """How far the page is behind the bus: at the loads it is meant for, and at far more."""
    for fleet, rate, bound in LOADS:
        found = run(rate, seconds, fleet)
        most, late = quantiles(found.lags, n=20)[-1], quantiles(found.lags[-len(found.lags) // 3 :], n=20)[-1]
        figures = (
            f"median {median(found.lags):.0f} ms, 95 of 100 {most:.0f} ms, in the last third {late:.0f} ms, "
            f"worst {max(found.lags):.0f} ms; {found.processor:.0%} of a core"
        )
        load = f"{fleet.nodes} nodes, {found.rate:,.0f} messages a second"
        what = f"lag of the page, {load}, 95 of 100 / {BOUND_MS} ms"
        yield Row(what, max(most, late) / BOUND_MS, 1 if bound else None, figures)
