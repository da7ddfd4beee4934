"""The demo as a stranger runs it: it ends well, leaves what it says, and leaves nothing running."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from conformance.recordings.show.story import tell
from protocol.recording import RecordedEnd, RecordedMessage, RecordingReader
from protocol.topics import parse_topic
from protocol.validation import read_message
from tests.commands.test_json_shape import checked
from tests.commands.yardwire import YARDWIRE
from tests.needs import needs
from tests.tester.excused import STILL

PATIENCE_S = 120


@dataclass(frozen=True)
class Ended:
    """A demo that has run to its end."""

    folder: Path
    code: int
    said: str
    printed: str = ""

    @property
    def report(self) -> dict[str, Any]:
        """What the conformance run came to."""
        return dict(json.loads((self.folder / "conformance.json").read_text()))

    def items(self) -> list[Any]:
        with (self.folder / "cycle.ywrec").open("rb") as file:
            return list(RecordingReader(file))


def start(folder: Path, mark: str, *options: str, stderr: int = subprocess.STDOUT) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", YARDWIRE, "demo", "--out", str(folder), *options],
        stdout=subprocess.PIPE,
        stderr=stderr,
        text=True,
        env=os.environ | {"DEMO_MARK": mark},
        start_new_session=True,
    )


def left_running(mark: str) -> list[str]:
    """Processes that still carry the mark in their environment (Linux)."""
    found = []
    for environ in Path("/proc").glob("[0-9]*/environ"):
        try:
            if f"DEMO_MARK={mark}".encode() in environ.read_bytes().split(b"\0"):
                found.append((environ.parent / "cmdline").read_text().replace("\0", " "))
        except OSError:
            continue
    return [line for line in found if line]


@pytest.fixture(scope="module")
def ended(tmp_path_factory: pytest.TempPathFactory) -> Ended:
    folder = tmp_path_factory.mktemp("demo") / "out"
    process = start(folder, "whole", "--json", "--quiet", stderr=subprocess.PIPE)
    printed, said = process.communicate(timeout=PATIENCE_S)
    return Ended(folder, process.returncode, said, printed)


class TestTheWholeDemo:
    def test_it_ends_well_and_says_where_everything_is(self, ended: Ended) -> None:
        # On a busy machine a stall may leave the conformance run without a verdict; then the demo says so.
        assert ended.code == (0 if ended.report["verdict"] == "pass" else 1), ended.said
        for name in ("cycle.ywrec", "story.html", "conformance.json", "site.toml"):
            assert (ended.folder / name).stat().st_size > 100
            assert str(ended.folder / name) in ended.said
        assert not list(ended.folder.glob("*.part"))

    def test_it_fits_into_80_columns(self, ended: Ended) -> None:
        paths = str(ended.folder)
        assert [line for line in ended.said.splitlines() if len(line) > 80 and paths not in line] == []

    def test_json_is_one_document_in_the_shape_of_all(self, ended: Ended) -> None:
        told = checked(ended.printed, ended.code, "demo")
        with (ended.folder / "cycle.ywrec").open("rb") as file:
            reader = RecordingReader(file)
            story = tell(reader.header, reader)
        assert told["jobs"] == {"done": len(story.jobs)}
        assert (told["messages"], told["invalid"]) == (len(story.lines), 0)
        assert told["conformance"]["counts"] == ended.report["counts"]
        assert {Path(file).name for file in told["files"].values()} == {
            path.name for path in ended.folder.iterdir()
        }

    def test_quiet_leaves_out_what_goes_on(self, ended: Ended) -> None:
        assert "asked" not in ended.said
        assert " s  north" not in ended.said
        assert "messages recorded" in ended.said

    def test_nothing_is_left_running(self, ended: Ended) -> None:
        assert left_running("whole") == []

    def test_the_box_goes_the_whole_way(self, ended: Ended) -> None:
        with (ended.folder / "cycle.ywrec").open("rb") as file:
            reader = RecordingReader(file)
            story = tell(reader.header, reader)
        done = [(job.node, job.words.split(":")[0]) for job in story.jobs if job.state == "done"]
        assert len(done) == len(story.jobs)
        moved = [node for node, words in done if words == "transfer C-101"]
        assert moved == ["north", "south"]
        assert [line.body["train"] for line in story.trains] == ["T-7"]
        assert story.gone == ["C-101"]
        assert story.nodes[0] == "yard"

    def test_every_recorded_message_is_valid(self, ended: Ended) -> None:
        items = ended.items()
        assert isinstance(items[-1], RecordedEnd)
        messages = [item for item in items if isinstance(item, RecordedMessage)]
        assert len(messages) > 200
        for message in messages:
            reading = read_message(parse_topic(message.topic).message, message.payload, closed=True)
            assert reading.valid, (message.topic, reading.findings)

    def test_the_verdicts_are_all_pass(self, ended: Ended) -> None:
        judged = [case for case in ended.report["cases"] if case["verdict"] != "none"]
        others = [case for case in judged if case["verdict"] != "pass"]
        assert len(judged) - len(others) > 25
        assert [
            case for case in others if case["verdict"] == "inconclusive" and STILL in case["reason"]
        ] == others

    @needs("chromium")
    def test_the_page_opens_in_a_browser_with_no_error_and_no_request(self, ended: Ended) -> None:
        from playwright.sync_api import sync_playwright

        noise: list[str] = []
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(
                executable_path="/usr/bin/chromium",
                args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
            )
            page = browser.new_page(viewport={"width": 390, "height": 800})
            page.on("console", lambda message: noise.append(message.text))
            page.on("pageerror", lambda error: noise.append(str(error)))
            page.on(
                "request", lambda request: noise.append(request.url) if "file:" not in request.url else None
            )
            page.goto((ended.folder / "story.html").as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") <= 390
            rows = page.locator("#lines tbody tr:visible")
            everything = rows.count()
            page.fill("#words", "siding train-arrival at-rest")
            assert 0 < rows.count() < everything
            browser.close()
        assert noise == []


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="needs /proc to see what is left running (Linux)")
def test_ctrl_c_leaves_no_process_and_a_whole_recording(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    process = start(folder, "stopped")
    assert process.stdout is not None
    for line in process.stdout:
        assert len(line.rstrip()) <= 80
        if "asked" in line:
            break
    os.kill(process.pid, signal.SIGINT)
    said, _ = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 130, said
    assert "Traceback" not in said
    assert left_running("stopped") == []
    items = Ended(folder, 130, said).items()
    assert isinstance(items[-1], RecordedEnd)


def test_a_folder_with_other_things_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("chapter one")
    process = start(tmp_path, "other")
    said, _ = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 2
    assert "thesis.txt" in said
    assert [file.name for file in tmp_path.iterdir()] == ["thesis.txt"]
