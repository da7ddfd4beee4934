"""`yardwire demo`: the main job with nothing installed, recorded, judged and told on a page."""

from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import click

from conformance.commands.options.bus import choice_option
from conformance.files.whole_file import write
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

OWN_FILES = ("site.toml", "cycle.ywrec", "conformance.json", "story.html")


@dataclass(frozen=True, slots=True)
class Folder:
    """Where the demo puts what it made."""

    path: Path

    @property
    def site(self) -> Path:
        """The site file of harlow-basin."""
        return self.path / OWN_FILES[0]

    @property
    def recording(self) -> Path:
        """All that was said on the bus."""
        return self.path / OWN_FILES[1]

    @property
    def report(self) -> Path:
        """The verdicts, for programs."""
        return self.path / OWN_FILES[2]

    @property
    def page(self) -> Path:
        """What happened, for people."""
        return self.path / OWN_FILES[3]


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
@click.option(
    "--boards",
    "with_boards",
    is_flag=True,
    help="Let firmware for boards play the southern crane and the berth.",
)
def demo(out: Path, choice: str, seed: int, with_boards: bool) -> int:
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

    folder = _folder(out, _site_text(scenario_text(), with_boards))
    site = load_site(folder.site)
    with (
        _boards(site, with_boards) as boards,
        start_broker(choice) as broker,
        _bench_run(site, folder.site, choice, seed) as judging,
    ):
        click.echo(f"{site.name}: two cranes, a berth, a shuttle, one supervisor, all simulated")
        for name, (is_what, _) in boards.items():
            click.echo(f"{name}: {is_what}")
        click.echo(f"broker: {broker.name}, at {broker.host} port {broker.port}")
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
            _watch(yard)
            _wait(LAST_WORDS_S, yard)
        run = _judged(judging)
    return _tell(folder, site, yard, run)


# ---------------------------------------------------------------- the cycle


def _watch(yard: DemoYard) -> None:
    """Print what ends until every goal is met. Raises Trouble where that does not come."""
    began = time.monotonic()
    told = asked = 0
    while not yard.supervisor.finished:
        _wait(LOOK_S, yard)
        at_s = time.monotonic() - began
        for question in yard.said[asked:]:
            click.echo(_wrapped(f"  {at_s:5.1f} s  asked    ", question))
        asked = len(yard.said)
        for _, node, sent in yard.supervisor.history[told:]:
            click.echo(f"  {at_s:5.1f} s  {node:<8} {_words(sent.body)}: {sent.state}")
        told = len(yard.supervisor.history)
        if yard.supervisor.troubles or at_s > PATIENCE_S:
            why = "; ".join([*yard.supervisor.troubles, *map(str, yard.supervisor.waiting.values())])
            raise Trouble(
                f"the cycle did not come to its end within {at_s:.0f} s ({why or 'no reason known'})",
                fix="The recording in the output folder shows how far it came; report it with the recording",
            )
    for _, node, sent in yard.supervisor.history[told:]:
        click.echo(f"  {time.monotonic() - began:5.1f} s  {node:<8} {_words(sent.body)}: {sent.state}")


def _wrapped(start: str, text: str) -> str:
    import textwrap

    return textwrap.fill(text, 80, initial_indent=start, subsequent_indent=" " * len(start))


def _words(order: Any) -> str:
    from conformance.recordings.wording import in_words

    return in_words("job-order", order).rpartition(" ")[0]


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
        WireBench(tap, broker.address, restart) as bench,
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


def _judged(judging: Future[Run]) -> Run:
    """The bench run; says that it is waited for, if it is."""
    if not judging.done():
        click.echo(f"waiting for the conformance run of {ON_THE_BENCH} on the bench to end ...")
    return judging.result()


# ---------------------------------------------------------------- what is left of it


def _tell(folder: Folder, site: Site, yard: DemoYard, run: Run) -> int:
    """Write report and page, print the table of verdicts, and give the exit code."""
    import json

    from conformance.recordings.show.story_page import story_page
    from conformance.reports import as_text
    from conformance.reports.document import document
    from conformance.suite.verdict import Verdict

    report = document(run, seed=0)
    write(folder.report, json.dumps(report, indent=1, ensure_ascii=False) + "\n")
    story = _story(folder.recording)
    write(folder.page, story_page(story, ON_THE_BENCH, _judged_cases(run)))
    click.echo("")
    click.echo(_table(run))
    click.echo(as_text.render(report))
    wrong = _not_as_shown(yard, story)
    click.echo("")
    for what in wrong:
        click.echo(f"not as it has to be: {what}")
    click.echo(f"{len(story.lines)} messages recorded, {len(story.invalid)} of them not valid")
    click.echo(f"  what was said   {folder.recording}")
    click.echo(f"  what happened   {folder.page}   (open it in a browser)")
    click.echo(f"  the verdicts    {folder.report}")
    click.echo(f"  the site file   {folder.site}")
    if run.verdict is Verdict.ERROR:
        raise Trouble("a case ended with an internal error", fix="Report it with what stands above")
    return 0 if not wrong and run.verdict is Verdict.PASS else 1


def _not_as_shown(yard: DemoYard, story: Any) -> list[str]:
    """What did not come out as the demo is there to show: nothing recorded or done is nothing shown."""
    from conformance.commands.demo.yard import BERTH, BOX

    jobs = [sent for _, _, sent in yard.supervisor.history]
    wrong = [f"{_words(sent.body)}: {sent.state}" for sent in jobs if sent.state != "done"]
    wrong += yard.world.accidents
    on_train = [box for (place, _), box in yard.world.boxes.items() if place == BERTH]
    if BOX not in yard.supervisor.inventory.gone or BOX not in (*on_train, *yard.world.gone):
        wrong.append(f"box {BOX} was not seen to leave with the train")
    if yard.recorder.trouble:
        wrong.append(f"the recording is not whole: {yard.recorder.trouble}")
    if not story.lines:
        wrong.append("nothing was recorded")
    if story.invalid:
        wrong.append(f"{len(story.invalid)} messages are not valid")
    return wrong


def _story(path: Path) -> Any:
    from conformance.recordings.show.story import tell
    from protocol.recording import RecordingReader

    with path.open("rb") as file:
        reader = RecordingReader(file)
        return tell(reader.header, reader)


def _judged_cases(run: Run) -> list[Any]:
    from conformance.recordings.show.story_page import JudgedCase
    from conformance.suite.verdict import Verdict

    return [
        JudgedCase(
            result.case.id,
            result.case.chapter,
            result.verdict.word,
            result.case.requirements,
            result.case.summary,
            result.reason,
        )
        for result in run.results.values()
        if result.verdict is not Verdict.NONE
    ]


def _table(run: Run) -> str:
    """Verdicts by chapter, one line each."""
    from collections import Counter

    from conformance.suite.verdict import Verdict

    words = [verdict.word for verdict in (Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.ERROR)]
    rows: dict[str, Counter[str]] = {}
    for result in run.results.values():
        if result.verdict is not Verdict.NONE:
            rows.setdefault(result.case.chapter, Counter())[result.verdict.word] += 1
    lines = [f"{'chapter':<12}" + "".join(f"{word:>14}" for word in words)]
    lines += [
        f"{chapter:<12}" + "".join(f"{count[word] or '-':>14}" for word in words)
        for chapter, count in sorted(rows.items())
    ]
    return "\n".join(lines)


def _folder(path: Path, site_text: str) -> Folder:
    """The output folder with the site file in it. Raises Trouble where it cannot be written to."""
    folder = Folder(path)
    try:
        path.mkdir(parents=True, exist_ok=True)
        strange = [file.name for file in path.iterdir() if file.name not in OWN_FILES]
        if strange:
            raise Trouble(
                f"the folder holds other things ({', '.join(sorted(strange)[:3])})",
                where=str(path),
                fix="Name an empty or a new one with --out",
            )
    except OSError as error:
        raise Trouble(
            f"cannot use this folder: {error.strerror}", where=str(path), fix="Name another with --out"
        ) from error
    write(folder.site, site_text)
    return folder


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
