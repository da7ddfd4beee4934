"""What general-purpose decoders take although the protocol refuses it, as docs/guides/lenient-libraries.md tells it.

`python -m tests.decoders.libraries` writes the tables of that page again.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import json
import re
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import cbor2

from conformance.publish.site import sources
from protocol.specification import specification

PAGE = "docs/guides/lenient-libraries.md"
JSON_ROWS = (
    "trailing comma", "leading zero", "plus sign", "hexadecimal number", "single quotes", "control character in text",
    "byte order mark", "blank in front", "member twice", "text that is not UTF-8 in JSON", "exponent", "NaN",
    "integer written as a fraction", "above 64 bits", "tail", "two objects glued together",
    "zero byte behind the object", "cut short", "nested five hundred deep",
)  # fmt: skip
CBOR_ROWS = (
    "keys out of order", "key twice", "integer one byte too long", "map of indefinite length", "32-bit float", "bignum",
    "text that is not UTF-8 in CBOR", "date", "byte string", "undefined", "CBOR with a tail", "CBOR cut short",
    "CBOR nested five hundred deep",
)  # fmt: skip
Takes = Callable[[Sequence[bytes]], list[bool]]

NODE = """
const found = JSON.parse(require("fs").readFileSync(0, "utf8")).map(hex => {
  try { return typeof JSON.parse(Buffer.from(hex, "hex").toString("utf8")) === "object"; } catch { return false; }
});
console.log(JSON.stringify(found));
"""
MICROPYTHON = """
import json, sys
for line in sys.stdin:
    data = bytes([int(line[at:at + 2], 16) for at in range(0, len(line.strip()), 2)])
    try:
        print(1 if isinstance(json.loads(data), dict) else 0)
    except (ValueError, RuntimeError):
        print(0)
"""


def payloads(names: Sequence[str]) -> list[bytes]:
    """The vectors of these names."""
    rows = {row["name"]: bytes.fromhex(row["hex"]) for row in specification().vectors("invalid")}
    return [rows[name] for name in names]


def python_json(found: Sequence[bytes]) -> list[bool]:
    return [_takes(json.loads, payload) for payload in found]


def cbor2_loads(found: Sequence[bytes]) -> list[bool]:
    return [_takes(cbor2.loads, payload) for payload in found]


def _takes(loads: Callable[[bytes], object], payload: bytes) -> bool:
    try:
        return isinstance(loads(payload), dict)
    except (ValueError, EOFError, RecursionError, cbor2.CBORDecodeError):
        return False


def node_json(found: Sequence[bytes]) -> list[bool]:
    told = _run(["node", "-e", NODE], json.dumps([one.hex() for one in found]))
    return [bool(one) for one in json.loads(told)]


def micropython_json(found: Sequence[bytes]) -> list[bool]:
    program = str(Path(sys.executable).with_name("micropython"))
    told = _run([program, "-c", MICROPYTHON], "\n".join(one.hex() for one in found))
    return [line == "1" for line in told.split()]


def _run(command: list[str], given: str) -> str:
    run = subprocess.run(command, input=given, capture_output=True, text=True, check=True, timeout=60)
    return run.stdout


def cjson(found: Sequence[bytes]) -> list[bool]:
    library = ctypes.CDLL("libcjson.so.1")
    library.cJSON_ParseWithLength.restype = ctypes.c_void_p
    library.cJSON_ParseWithLength.argtypes = [ctypes.c_char_p, ctypes.c_size_t]
    library.cJSON_Delete.argtypes = [ctypes.c_void_p]
    taken = []
    for payload in found:
        tree = library.cJSON_ParseWithLength(payload, len(payload))
        taken.append(bool(tree))
        library.cJSON_Delete(tree)
    return taken


JSON_LIBRARIES: dict[str, Takes] = {
    "Python `json`": python_json,
    "MicroPython `json`": micropython_json,
    "JavaScript `JSON.parse`": node_json,
    "cJSON": cjson,
}
CBOR_LIBRARIES: dict[str, Takes] = {"Python `cbor2.loads`": cbor2_loads}


def table(names: Sequence[str], libraries: dict[str, Takes]) -> str:
    """One of the two tables, as Markdown."""
    found = payloads(names)
    columns = [takes(found) for takes in libraries.values()]
    head = f"| payload | refused by | {' | '.join(libraries)} |\n|---|---|{'---|' * len(libraries)}"
    rules = {row["name"]: row["requirement"] for row in specification().vectors("invalid")}
    rows = []
    for at, name in enumerate(names):
        cells = ("**takes it**" if column[at] else "refuses" for column in columns)
        rows.append(f"| {name} | `{rules[name]}` | {' | '.join(cells)} |")
    return "\n".join([head, *rows])


def renewed(text: str) -> str:
    """The page with its tables as the libraries behave here."""
    for made in (table(JSON_ROWS, JSON_LIBRARIES), table(CBOR_ROWS, CBOR_LIBRARIES)):
        head = re.escape(made.partition("\n")[0])
        text, times = re.subn(rf"{head}\n(\|.*\n)*", lambda _, made=made: f"{made}\n", text)  # type: ignore[misc]
        assert times == 1, head
    return text


if __name__ == "__main__":
    page = sources.home() / PAGE
    page.write_text(renewed(page.read_text("utf-8")), encoding="utf-8")
