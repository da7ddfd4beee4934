"""Runs the fuzz target of the core in C under libFuzzer: make core-fuzz ARGS="-max_total_time=600"."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from conformance.publish.firmware.site_header import site_header
from tests.firmware.board import CORE, site
from tests.firmware.inputs import inputs

TARGET = Path(__file__).with_name("fuzz_target.c")


def main() -> int:
    """Build it and run it from the fixed inputs on; gives its exit code."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "yw_site.h").write_text(site_header(site(), "north"), encoding="utf-8")
        corpus = folder / "corpus"
        corpus.mkdir()
        for number, one in enumerate(inputs()):
            (corpus / str(number)).write_bytes(one)
        flags = ["-O1", "-g", "-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all"]
        include = [f"-I{folder}", f"-I{CORE / 'src'}"]
        made = subprocess.run(
            ["clang", *flags, *include, str(TARGET), "-o", str(folder / "fuzz")], check=False
        )
        if made.returncode:
            return 2
        return subprocess.run(
            [str(folder / "fuzz"), str(corpus), "-max_len=400", *sys.argv[1:]], check=False
        ).returncode


if __name__ == "__main__":
    sys.exit(main())
