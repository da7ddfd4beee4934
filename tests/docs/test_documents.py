"""Nothing in a document is untrue: its messages are valid, its commands exist and run, its links lead somewhere."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import click
import pytest
from markdown_it import MarkdownIt

from conformance.commands.demo.exchanges import recorded_cycle
from conformance.commands.main import COMMANDS, cli
from conformance.commands.runs.command import ListingGroup
from conformance.publish.artefacts.artefacts import artefacts
from conformance.publish.site import sources
from conformance.publish.site.manual import manual
from conformance.publish.site.prose import slug
from protocol.recording import Header, RecordingWriter
from protocol.site_file import scenario, scenario_text
from protocol.specification import specification
from protocol.validation import read_message
from tests.needs import needs

ROOT = Path(sources.__file__).parents[3]
DOCUMENTS = [
    *sorted(ROOT.glob("docs/**/*.md")),
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "CHANGELOG.md",
    ROOT / "CONTRIBUTING.md",
    ROOT / "SECURITY.md",
]
NAMED = [pytest.param(path, id=path.relative_to(ROOT).as_posix()) for path in DOCUMENTS]

WAITS = {"broker", "conform", "demo", "fuzz", "link", "node", "record", "replay", "watch"}
"""Commands that wait for a network, a board or Ctrl-C: here only their options are checked; tests/ run them."""

WITH_A_YARD = {"--yard", "--broker", "--page"}
"""Options with which `supervise` waits too; a scenario on virtual time ends by itself."""

NOT_OURS = re.compile(r"export [A-Z_]+=\S+|python -m examples\.make_runs evenings")
"""Lines that are no command of the kit. What makes 200 runs takes minutes: test_make_runs.py makes ten of them."""

JUDGES = {"validate", "diff", "measure", "trend"}
"""Commands that may end with 1 on a page: not valid, different, not near enough."""


@dataclass(frozen=True, slots=True)
class Block:
    """A fenced block: its info string and its text."""

    info: str
    text: str
    line: int


def blocks(path: Path) -> Iterator[Block]:
    for token in MarkdownIt("commonmark").parse(path.read_text(encoding="utf-8")):
        if token.type == "fence":
            assert token.map is not None
            yield Block(token.info, token.content, token.map[0] + 1)


def command_lines(path: Path) -> list[str]:
    """What is typed at a prompt, lines that go on put together."""
    text = "\n".join(block.text for block in blocks(path) if block.info == "console").replace("\\\n", " ")
    return re.findall(r"^\$ (.*)$", text, re.MULTILINE)


def yardwire_arguments(line: str) -> list[list[str]]:
    """The arguments of every `yardwire` in a command line, pipes and redirections taken off."""
    words = shlex.split(line, comments=True)
    found: list[list[str]] = []
    inside = False
    for word in words:
        if word in ("|", "&&", ";", ">", "&", "||"):
            inside = False
        elif word == "yardwire":
            found.append([])
            inside = True
        elif inside:
            found[-1].append(word)
    return found


def understood(arguments: list[str]) -> None:
    """Whether click takes these arguments: command, options, choices and the number of arguments."""
    name, *rest = arguments
    command: click.Command = cli
    context = click.Context(cli)
    while isinstance(command, click.Group):
        inner = command.get_command(context, name)
        assert inner is not None, f"there is no command {name}"
        command = inner
        if isinstance(command, ListingGroup) and rest and rest[0] not in command.list_commands(context):
            name = "list"
        elif isinstance(command, click.Group) and rest and not rest[0].startswith("-"):
            name, *rest = rest
        else:
            break
    command.make_context(name, list(rest), resilient_parsing=False)


# ---------------------------------------------------------------- messages
MESSAGES = [
    pytest.param(block, id=f"{path.name}:{block.line}")
    for path in DOCUMENTS
    for block in blocks(path)
    if block.info.startswith(("json ", "cbor "))
]


def test_documents_show_messages() -> None:
    assert len(MESSAGES) >= 6


@pytest.mark.parametrize("block", MESSAGES)
def test_message_in_a_document_is_valid(block: Block) -> None:
    encoding, message = block.info.split()
    payload = block.text.strip().encode() if encoding == "json" else bytes.fromhex(block.text)
    reading = read_message(message, payload, closed=True)
    assert reading.findings == ()
    assert reading.encoding is not None
    assert reading.encoding.value == encoding


@pytest.mark.parametrize("path", NAMED)
def test_every_block_says_what_it_is(path: Path) -> None:
    """JSON without a message's name would not be checked."""
    for block in blocks(path):
        assert block.info.partition(" ")[0] in (
            "",
            "console",
            "toml",
            "c",
            "python",
            "cddl",
            "conf",
            "sh",
            "sql",
            "text",
        ) or block.info in (
            *(
                f"{encoding} {message}"
                for encoding in ("json", "cbor")
                for message in specification().messages
            ),
        ), f"line {block.line}: {block.info!r}"
        if block.info == "toml":
            tomllib.loads(block.text)


# ---------------------------------------------------------------- commands
@pytest.fixture
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder, in which recordings that a command names are made as they are needed."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def copied(examples: Path, folder: Path) -> None:
    folder.mkdir()
    for path in sorted(examples.glob("*.ywrec")):
        (folder / path.name).write_bytes(path.read_bytes())


def lay_out(workplace: Path, line: str) -> None:
    """The site file, what was measured, and the recordings of a command line, these of the same simulated cycle."""
    for path in sorted((ROOT / "examples" / "measure").iterdir()):
        if path.name in line:
            (workplace / path.name).write_bytes(path.read_bytes())
    reads_it = "site.toml" in line or "yardwire measure" in line
    if reads_it and "site new" not in line and not (workplace / "site.toml").exists():
        (workplace / "site.toml").write_text(scenario_text(), encoding="utf-8")
    if re.search(r" recordings( |$)", line) and not (workplace / "recordings").exists():
        (workplace / "recordings").mkdir()
        good = ROOT / "examples" / "recordings" / "good-1.ywrec"
        (workplace / "recordings" / "monday.ywrec").write_bytes(good.read_bytes())
    for folder in ("recordings", "evenings"):
        if f"{folder}/" in line and not (workplace / folder).exists():
            copied(ROOT / "examples" / "recordings", workplace / folder)
    for name in re.findall(r"[\w./-]+\.ywrec", line):
        path = workplace / name
        if not path.exists():
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("wb", buffering=0) as file:
                items = recorded_cycle(scenario())
                writer = RecordingWriter(
                    file, Header("harlow-basin", "2026-01-01T00:00:00Z", "virtual time", "test")
                )
                for item in items:
                    writer.message(item)
                writer.end(items[-1].at_us)


@pytest.mark.parametrize("path", NAMED)
def test_commands_of_a_document_run(path: Path, workplace: Path) -> None:
    """In the order of the page, in one folder. None fails."""
    environment = {**os.environ, "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"}
    for line in command_lines(path):
        lay_out(workplace, line)
        for arguments in yardwire_arguments(line):
            understood(arguments)
        names = {arguments[0] for arguments in yardwire_arguments(line)}
        if NOT_OURS.fullmatch(line):
            continue
        assert names, f"{line}: is no command of the kit, so nobody can say whether it is right"
        if names & WAITS or (names == {"supervise"} and WITH_A_YARD & set(shlex.split(line))):
            continue
        run = subprocess.run(
            line, shell=True, cwd=workplace, env=environment, capture_output=True, text=True, timeout=60
        )
        assert run.returncode in ((0, 1) if names & JUDGES else (0,)), f"{line}: {run.stdout}{run.stderr}"


@pytest.mark.slow
def test_examples_of_the_help_are_understood(workplace: Path) -> None:
    (workplace / "site.toml").write_bytes(
        resources.files("protocol").joinpath("scenarios", "harlow-basin", "site.toml").read_bytes()
    )
    seen = set()
    for command in manual(cli, click.Context(cli)):
        for part in command.parts:
            for line in part.examples:
                lay_out(workplace, line)
                for arguments in yardwire_arguments(line):
                    understood(arguments)
                    seen.add(arguments[0])
    assert seen == set(COMMANDS)


def test_wrong_commands_are_noticed() -> None:
    with pytest.raises(click.UsageError):
        understood(["site", "check", "--no-such-option"])
    with pytest.raises(AssertionError):
        understood(["dance"])
    assert yardwire_arguments("echo x | yardwire validate - && yardwire site new a.toml > out") == [
        ["validate", "-"], ["site", "new", "a.toml"],
    ]  # fmt: skip


def test_readme_lists_every_command() -> None:
    rows = re.findall(r"^\| `yardwire (\w+)` \|", (ROOT / "README.md").read_text("utf-8"), re.MULTILINE)
    assert sorted(rows) == sorted(COMMANDS)


def test_documents_are_published_into_one_folder() -> None:
    """Under the name that the help shows, wherever a page says it: who goes from page to page has one folder."""
    (command,) = (one for one in manual(cli, click.Context(cli)) if one.name == "publish")
    lines = [line for part in command.parts for line in part.examples]
    for path in DOCUMENTS:
        lines += re.findall(r"yardwire publish [\w][^\n`]*", path.read_text("utf-8"))
    named = {arguments[1] for line in lines for arguments in yardwire_arguments(line)}
    assert len(lines) > 6
    assert named - {"DIR"} == {"yardwire-documents"}


# ---------------------------------------------------------------- links and names
@pytest.mark.parametrize("path", NAMED)
def test_links_lead_somewhere(path: Path) -> None:
    for token in MarkdownIt("commonmark").enable("table").parse(path.read_text(encoding="utf-8")):
        for part in token.children or []:
            target = str(part.attrGet("href") or part.attrGet("src") or "")
            if not target:
                continue
            assert not re.match("[a-z]+:", target), f"{target} leads out of the project"
            file, _, anchor = target.partition("#")
            there = (path.parent / file).resolve() if file else path
            assert there.exists(), f"{target} leads nowhere"
            if anchor and there.suffix == ".md":
                headings = re.findall(r"^#+ (.*)$", there.read_text("utf-8"), re.MULTILINE)
                assert anchor in map(slug, headings), f"{target} names no heading"


@pytest.mark.parametrize("path", NAMED)
def test_requirements_that_are_named_exist(path: Path) -> None:
    chapters = "|".join(sorted({rule.chapter for rule in specification().requirements.values()}))
    named = set(re.findall(rf"\b(?:{chapters})-\d\d\b", path.read_text("utf-8")))
    assert named <= set(specification().requirements)


@needs("gcc")
def test_c_in_a_guide_compiles(tmp_path: Path) -> None:
    """Blocks marked `c whole` are programs against the published header."""
    made = artefacts(specification(), resources.files("protocol").joinpath("v1"), scenario())
    (tmp_path / "yardwire.h").write_bytes(made["yardwire.h"])
    found = [block for path in DOCUMENTS for block in blocks(path) if block.info == "c whole"]
    assert found
    for block in found:
        (tmp_path / "main.c").write_text(block.text, encoding="utf-8")
        command = ["gcc", "-Wall", "-Wextra", "-std=c99", "-Werror", "main.c", "-o", "main"]
        subprocess.run(command, cwd=tmp_path, check=True, timeout=60)
        subprocess.run([tmp_path / "main"], check=True, timeout=10)
