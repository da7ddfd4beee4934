"""The core in C under the compilers there are, warnings as errors, and its size on a small board."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from benchmarks.firmware import BUFFER, ENCODINGS, MAY_GROW, measure, measure_encoding, recorded
from conformance.publish.firmware.site_header import site_header
from protocol.site_file import scenario
from tests.firmware.board import CORE, NODES, WARNINGS, compiled, site
from tests.needs import needs

RAM_GOAL = 420
EM_ARM = 40
"""The machine in the head of an ELF file."""
QUIET = ("missingIncludeSystem", "badBitmaskCheck", "knownConditionTrueFalse")
SITES = ("north", "south", "siding", "ferry")


def program_of(node: str, folder: Path) -> Path:
    """The node as a board takes it, its site beside it in `folder`: on a line, or `NODE in JSON`."""
    name, _, encoding = node.partition(" in ")
    header = site_header(scenario() if encoding else site(), name)
    (folder / "yw_site.h").write_text(header, encoding="utf-8")
    return CORE / ("host/node.c" if encoding else "avr/node.c")


@pytest.mark.parametrize("compiler", [pytest.param(one, marks=needs(one)) for one in ("gcc", "clang", "g++")])
@pytest.mark.parametrize("node", [*SITES, "south in JSON", "ferry in JSON"])
def test_it_compiles_without_a_warning(compiler: str, node: str, tmp_path: Path) -> None:
    """With the line as well, or with JSON; a C++ compiler is asked of the header that a sketch includes."""
    source, flags = program_of(node, tmp_path), [*WARNINGS]
    include = [f"-I{tmp_path}", f"-I{CORE / 'src'}"]
    if compiler == "g++":
        source = tmp_path / "sketch.cpp"
        source.write_text('#include "yw_site.h"\n#include "yw_node.h"\n', encoding="utf-8")
        flags = ["-std=c++11", "-pedantic", "-Wall", "-Wextra", "-Werror", "-Wno-unused-variable"]
    json = ["-DYW_JSON"] if "JSON" in node else []
    command = [compiler, *flags, *json, "-O2", *include, "-c", str(source), "-o", str(tmp_path / "node.o")]
    made = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert made.returncode == 0, made.stderr


@needs("clang")
@pytest.mark.parametrize("node", ["south", "siding", "south in JSON"])
def test_it_compiles_for_a_32_bit_arm(node: str, tmp_path: Path) -> None:
    """For a Cortex-M0, with all warnings, and with nothing of a library but what copies and fills memory."""
    source = program_of(node, tmp_path)
    include = [f"-I{tmp_path}", f"-I{CORE / 'src'}", f"-I{Path(__file__).with_name('freestanding')}"]
    target = ["--target=arm-none-eabi", "-mcpu=cortex-m0", "-mthumb", "-ffreestanding", "-Os"]
    json = ["-DYW_JSON"] if "JSON" in node else []
    made = tmp_path / "node.o"
    compiled(["clang", *target, *WARNINGS, *json, *include, "-c", source, "-o", made])
    machine = int.from_bytes(made.read_bytes()[18:20], "little")
    assert machine == EM_ARM


@needs("cppcheck")
@pytest.mark.parametrize("node", ["south", "siding", "ferry", "south in JSON"])
def test_cppcheck_says_nothing(node: str, tmp_path: Path) -> None:
    """With an AVR's integers. A figure of a site makes a condition known, and zeros stand in made tables."""
    source = program_of(node, tmp_path)
    json = ["-DYW_JSON"] if "JSON" in node else []
    asked = [
        "--enable=warning,style,portability,performance",
        "--platform=avr8",
        "--std=c99",
        "--error-exitcode=1",
    ]
    quiet = ["-q", *(f"--suppress={one}" for one in QUIET)]
    include = [f"-I{tmp_path}", f"-I{CORE / 'src'}"]
    command = ["cppcheck", *asked, *quiet, *json, *include, str(source)]
    made = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    assert (made.returncode, made.stderr) == (0, "")


@needs("avr-gcc")
@pytest.mark.parametrize("role", NODES)
def test_it_stays_as_small_as_it_is(role: str, tmp_path: Path) -> None:
    """Also the one test that compiles for an int of 16 bits, with every warning."""
    now, then = measure(role, tmp_path), recorded()[role]
    assert now.flash <= then.flash * MAY_GROW
    assert now.ram <= then.ram * MAY_GROW
    assert now.ram <= RAM_GOAL
    assert now.flash <= 32_768 // 2  # Half of the chip is the author's.


@needs("avr-gcc")
@pytest.mark.parametrize("name", ENCODINGS)
def test_each_encoding_stays_as_small_as_it_is(name: str, tmp_path: Path) -> None:
    now, then = measure_encoding(name, tmp_path), recorded()[name]
    assert now.flash <= then.flash * MAY_GROW
    assert now.ram <= then.ram * MAY_GROW


def test_the_receive_buffer_is_that_of_the_smallest_board() -> None:
    assert scenario().nodes["siding"].buffer == BUFFER


def test_nothing_is_allocated_recursive_or_floating() -> None:
    words = ("malloc", "calloc", "float", "double", "alloca", "setjmp", "goto")
    for file in sorted((CORE / "src").glob("yw_*.h")):
        text = file.read_text(encoding="utf-8")
        assert [
            word for word in words if f"{word}(" in text or f"{word} " in text.split("*/", 1)[-1]
        ] == [], file.name
