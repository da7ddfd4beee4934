"""`yardwire demo`: the main job with nothing installed, recorded, judged and told on a page."""

from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import click

from conformance.commands.demo.outcome import made_folder, tell, words
from conformance.commands.options import json_output
from conformance.commands.options.bus import choice_option
from conformance.commands.terminal.quiet import chat, quiet_option
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.commands.demo.yard import BoardOf, DemoYard
    from conformance.tester.runner import Run
    from protocol.site import Site

ON_THE_BENCH = "north"
PATIENCE_S = 150.0
"""A cycle takes less than a minute; one that takes longer than this will not end."""
LOOK_S = 0.1
SLOW = 3.0
"""The bench shares this machine with a whole yard, so limits in time are stretched; the report says so."""
LAST_WORDS_S = 0.6


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("yardwire-demo"),
    show_default=True,
    help="Folder for the recording, the verdicts and the page.",
)
@choice_option("embedded", "Which broker to start.")
@click.option(
    "--seed",
    type=int,
    default=7,
    show_default=True,
    help="Seed of the simulated machines; boots, tokens and claims are new in each run.",
)
@quiet_option
@json_output.json_option(
    "Print what came of it as one JSON document; what goes on is told on standard error."
)
@click.option(
    "--boards",
    "with_boards",
    is_flag=True,
    help="Let firmware for boards play the southern crane and the berth.",
)
def demo(out: Path, choice: str, seed: int, with_boards: bool, as_json: bool) -> int:
    """Run one whole cycle of the invented yard harlow-basin; nothing real moves.

    Crane north puts a box on the shuttle, the shuttle carries it across, a train comes to rest at the siding
    over magnetic sensors, crane south loads it, and the train leaves. All of it goes over a real broker and
    is recorded. Meanwhile another crane is on the bench, and the conformance cases that move nothing judge
    it.

    With --boards two nodes are firmware for boards: crane south an ATmega328P in a simulator, on a serial
    line, and the berth by the interpreter of MicroPython. `make demo ARGS=--boards` installs what pip can.

    Example: yardwire demo --out my-demo
    """
    from conformance.bench.brokers.broker import start_broker
    from conformance.commands.demo.yard import demo_yard
    from protocol.recording import Header
    from protocol.site_file import load_site, scenario_text

    folder = made_folder(out, _site_text(scenario_text(), with_boards))
    site = load_site(folder.site)
    with (
        _boards(site, with_boards) as boards,
        start_broker(choice) as broker,
        _bench_run(site, folder.site, choice, seed) as judging,
    ):
        chat(f"{site.name}: two cranes, a berth, a shuttle, one supervisor, all simulated", err=as_json)
        for name, (is_what, _) in boards.items():
            chat(f"{name}: {is_what}", err=as_json)
        chat(f"broker: {broker.name}, at {broker.host} port {broker.port}", err=as_json)
        header = Header(site.name, _utc(), broker.name, _version())
        with (
            _clear_of_disk_trouble(folder.recording),
            demo_yard(
                site,
                broker,
                folder.recording,
                header,
                seed,
                {name: made for name, (_, made) in boards.items()},
            ) as yard,
        ):
            _watch(yard, aside=as_json)
            _wait(LAST_WORDS_S, yard)
        run = _judged(judging, aside=as_json)
    return tell(folder, site, yard, run, ON_THE_BENCH, as_json=as_json)


# ---------------------------------------------------------------- the cycle


def _watch(yard: DemoYard, *, aside: bool) -> None:
    """Say what ends until every goal is met, `aside` on standard error. Raises Trouble where that does not come."""
    began = time.monotonic()
    told = asked = 0
    while not yard.supervisor.finished:
        _wait(LOOK_S, yard)
        at_s = time.monotonic() - began
        for question in yard.said[asked:]:
            chat(_wrapped(f"  {at_s:5.1f} s  asked    ", question), err=aside)
        asked = len(yard.said)
        for _, node, sent in yard.supervisor.history[told:]:
            chat(f"  {at_s:5.1f} s  {node:<8} {words(sent.body)}: {sent.state}", err=aside)
        told = len(yard.supervisor.history)
        if yard.supervisor.troubles or at_s > PATIENCE_S:
            why = "; ".join([*yard.supervisor.troubles, *map(str, yard.supervisor.waiting.values())])
            raise Trouble(
                f"the cycle did not come to its end within {at_s:.0f} s ({why or 'no reason known'})",
                fix="The recording in the output folder shows how far it came; report it with the recording",
            )
    for _, node, sent in yard.supervisor.history[told:]:
        at_s = time.monotonic() - began
        chat(f"  {at_s:5.1f} s  {node:<8} {words(sent.body)}: {sent.state}", err=aside)


def _wrapped(start: str, text: str) -> str:
    import textwrap

    return textwrap.fill(text, 80, initial_indent=start, subsequent_indent=" " * len(start))


def _wait(seconds: float, yard: DemoYard) -> None:
    time.sleep(seconds)
    yard.check()


def _site_text(text: str, with_boards: bool) -> str:
    if not with_boards:
        return text
    from conformance.commands.demo.boards.every import site_text_with_boards

    return site_text_with_boards(text)


@contextmanager
def _boards(site: Site, wanted: bool) -> Iterator[dict[str, tuple[str, BoardOf]]]:
    """Node to what plays it, in words, and what makes that; all they keep is gone at the end. Raises Trouble."""
    if not wanted:
        yield {}
        return
    from conformance.commands.demo.boards.every import boards_of

    with TemporaryDirectory(prefix="yardwire-boards-") as folder:
        yield boards_of(site, Path(folder))


# ---------------------------------------------------------------- the bench


@contextmanager
def _bench_run(site: Site, site_path: Path, choice: str, seed: int) -> Iterator[Future[Run]]:
    """Judge a spawned crane on a broker of its own, beside the cycle; stops judging when the context ends."""
    from random import Random

    from conformance.bench.brokers.broker import start_broker
    from conformance.bench.processes.spawned_node import spawned_node
    from conformance.bench.tap.tap import Tap
    from conformance.bench.wire_bench import WireBench
    from conformance.suite.fixture import Fixture
    from conformance.tester.runner import Run, Selection

    with (
        start_broker(choice) as broker,
        Tap(broker.host, broker.port) as tap,
        spawned_node(tap, site_path, ON_THE_BENCH) as restart,
        WireBench(tap, broker.address, restart, ended=restart.failure) as bench,
        ThreadPoolExecutor(1, "bench") as pool,
    ):
        fixture = Fixture(bench, site, ON_THE_BENCH, Random(seed), SLOW)
        run = Run(fixture, Selection(motion=False))

        def judge() -> Run:
            run.perform()
            return run

        judging = pool.submit(judge)
        try:
            yield judging
        finally:
            # Where the demo ends before the run has, nobody waits for what it is about.
            bench.give_up()


def _judged(judging: Future[Run], *, aside: bool) -> Run:
    """The bench run; says that it is waited for, if it is."""
    if not judging.done():
        chat(f"waiting for the conformance run of {ON_THE_BENCH} on the bench to end ...", err=aside)
    return judging.result()


@contextmanager
def _clear_of_disk_trouble(path: Path) -> Iterator[None]:
    """Turn a recording that cannot be begun into a message."""
    try:
        yield
    except OSError as error:
        raise Trouble(
            f"cannot be recorded: {error.strerror}",
            where=str(path),
            fix="Make room, or name another folder with --out",
        ) from error


def _utc() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _version() -> str:
    from importlib.metadata import version

    return version("yardwire")
