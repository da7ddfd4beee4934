"""Runs the fuzz target of the core in C under libFuzzer: make core-fuzz ARGS="-max_total_time=600".

With `--json` in front of them it is a crane that reads and writes JSON."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from conformance.publish.firmware.site_header import site_header
from protocol.site_file import scenario
from tests.firmware.board import CORE, site
from tests.firmware.inputs import inputs, inputs_in_json

TARGET = Path(__file__).with_name("fuzz_target.c")


def main() -> int:
    """Build it and run it from the fixed inputs on; gives its exit code."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        words = sys.argv[1:]
        in_json = words[:1] == ["--json"]
        header = site_header(scenario(), "south") if in_json else site_header(site(), "north")
        (folder / "yw_site.h").write_text(header, encoding="utf-8")
        corpus = folder / "corpus"
        corpus.mkdir()
        for number, one in enumerate(inputs_in_json() if in_json else inputs()):
            (corpus / str(number)).write_bytes(one)
        flags = ["-O1", "-g", "-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all"]
        flags += ["-DYW_JSON"] if in_json else []
        include = [f"-I{folder}", f"-I{CORE / 'src'}"]
        made = subprocess.run(
            ["clang", *flags, *include, str(TARGET), "-o", str(folder / "fuzz")], check=False
        )
        if made.returncode:
            return 2
        return subprocess.run(
            [str(folder / "fuzz"), str(corpus), "-max_len=400", *words[in_json:]], check=False
        ).returncode


if __name__ == "__main__":
    sys.exit(main())
