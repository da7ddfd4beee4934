"""The Arduino library that `publish` writes, compiled for an ATmega328P from the folder that it writes."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterable
from pathlib import Path

import pytest

from protocol.site_file import scenario
from tests.firmware.board import NODES, WARNINGS
from tests.needs import needs

STUBS = Path(__file__).with_name("stubs")
CXX = ("-std=gnu++11", "-Wall", "-Wextra", "-Werror", "-Wno-unused-variable", "-fno-threadsafe-statics")
SWITCH = "removes motor power"
INCLUDE = re.compile(r"^ *# *include *<([^>]+)>", re.MULTILINE)
BY_ITSELF = {"Arduino.h", "EEPROM.h", "stdbool.h", "stddef.h", "stdint.h", "string.h"}
"""Of C99, and of every board of Arduino whose memory EEPROM stands for."""


def test_it_is_laid_out_as_arduino_expects(library: Path) -> None:
    """Arduino library specification 1.5: these keys, sources in src, sketches named as their folders."""
    lines = (library / "library.properties").read_text(encoding="utf-8").splitlines()
    told = dict(line.split("=", 1) for line in lines)
    needed = {
        "name",
        "version",
        "author",
        "maintainer",
        "sentence",
        "paragraph",
        "category",
        "url",
        "architectures",
    }
    assert needed <= told.keys()
    assert (library / "src" / told["includes"]).is_file()
    assert not list((library / "src").glob("*.c"))  # The sketch compiles the core, with its own site file.
    assert sorted(path.stem for path in library.glob("examples/*/*.ino")) == sorted(NODES)


def included(texts: Iterable[Path]) -> set[str]:
    """What these files include that the compiler has to find elsewhere, and that is not of Arduino's own cores."""
    told = {name for path in texts for name in INCLUDE.findall(path.read_text(encoding="utf-8"))}
    return {name for name in told if "/" not in name} - BY_ITSELF


def test_no_library_is_installed_for_users_who_do_not_need_it(library: Path) -> None:
    """Arduino library specification 2.2: `depends` names what is needed to build the library, for every user."""
    own = {path.name for path in (library / "src").iterdir()}
    assert included((library / "src").iterdir()) - own == set()
    assert "depends" not in (library / "library.properties").read_text(encoding="utf-8")


@pytest.mark.parametrize(("role", "needed"), [("crane", {"Servo"}), ("berth", set()), ("shuttle", set())])
def test_an_example_says_which_library_it_needs(role: str, needed: set[str], library: Path) -> None:
    own = {path.name for path in (library / "src").iterdir()}
    found = included((library / "examples" / role).iterdir()) - own
    assert {name.removesuffix(".h") for name in found} == needed
    text = (library / "examples" / role / f"{role}.ino").read_text(encoding="utf-8")
    assert set(re.findall(r"NEEDS the library (\w+)", text[: text.index("*/")])) == needed


@needs("avr-gcc")
@pytest.mark.parametrize("role", NODES)
def test_an_example_compiles(role: str, library: Path, tmp_path: Path) -> None:
    folder = library / "examples" / role
    sketch = tmp_path / "sketch.cpp"
    sketch.write_text(
        "#include <Arduino.h>\n" + (folder / f"{role}.ino").read_text(encoding="utf-8"), encoding="utf-8"
    )
    include = [f"-I{STUBS}", f"-I{library / 'src'}", f"-I{folder}"]
    chip = ["-mmcu=atmega328p", "-Os"]
    for command in (
        ["avr-g++", *chip, *CXX, *include, "-c", str(sketch)],
        ["avr-gcc", *chip, *WARNINGS, *include, "-c", str(folder / "node.c")],
    ):
        made = subprocess.run(
            [*command, "-o", "made.o"], cwd=tmp_path, capture_output=True, text=True, check=False, timeout=60
        )
        assert made.returncode == 0, made.stderr


@pytest.mark.parametrize("role", NODES)
def test_an_example_says_what_to_connect_and_what_may_hurt(role: str, library: Path) -> None:
    text = (library / "examples" / role / f"{role}.ino").read_text(encoding="utf-8")
    head = text[: text.index("*/")]
    for word in (
        "CAUTION",
        "CONNECT",
        "no emergency stop",
        SWITCH,
        "supply of its own",
        "Hands out",
        "licensed person",
    ):
        assert word in head, word


def test_the_digest_is_that_of_the_site_file(library: Path) -> None:
    digest = scenario().nodes["siding"].digest
    assert f"0x{digest:08X}UL" in (library / "examples" / "berth" / "yw_site.h").read_text(encoding="utf-8")


def test_every_node_of_one_role_has_its_header(library: Path) -> None:
    """The second crane too: the examples are for one node of each role."""
    boards = {name for name, node in scenario().nodes.items() if not node.is_supervisor}
    assert (
        {path.parent.name for path in library.glob("extras/*/yw_site.h")}
        == boards
        == {"north", "south", "siding", "ferry"}
    )
    for name in boards:
        text = (library / "extras" / name / "yw_site.h").read_text("utf-8")
        assert f'#define YW_NODE "{name}"' in text
        assert f"0x{scenario().nodes[name].digest:08X}UL" in text
