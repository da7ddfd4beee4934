"""What a pure part may not do, read off its syntax tree: what the import contracts cannot see.

import-linter sees imports. It does not see `open`, a module imported by name, an environment variable read through a
module that is allowed, or a random number drawn from nowhere.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
PURE = (
    "protocol", "reference_node", "conformance/suite", "conformance/oracle", "conformance/peers",
    "conformance/page/model", "conformance/measure",
)  # fmt: skip
EDGE = (
    "protocol/wire", "reference_node/node.py", "reference_node/boot_counter.py",
    "reference_node/firmware/micropython/unix", "reference_node/firmware/micropython/examples",
)  # fmt: skip
"""Parts of these that have a socket, a clock or a file by their purpose."""
LOADERS = (
    "protocol/specification.py",
    "protocol/site_file.py",
    "protocol/recording.py",
    "reference_node/scenario/scenario_file.py",
    "conformance/suite/brief.py",
)
"""The files that read files: the specification, a site, a recording, a scenario and a brief."""
IMPORTS_BY_NAME = ("conformance/suite/case.py",)
"""It imports its own chapters, from a list that stands in it."""

BUILT_INS = frozenset({"open", "input", "print", "breakpoint"})
DYNAMIC = frozenset({"exec", "eval", "compile", "__import__", "import_module"})
FILES = frozenset(
    {"read_text", "read_bytes", "write_text", "write_bytes", "mkdir", "iterdir", "glob", "stat"}
)
FILE_MODULES = frozenset({"pathlib", "shutil", "tempfile", "glob", "zipfile"})
CLOCK = frozenset({"now", "today", "utcnow"})


@dataclass(frozen=True, slots=True)
class Impurity:
    """One place in a pure part that reaches outside."""

    path: str
    line: int
    what: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.what}"


def pure_files(root: Path) -> Iterator[Path]:
    """The source files of the pure parts."""
    for part in PURE:
        for path in sorted((root / part).rglob("*.py")):
            if not path.relative_to(root).as_posix().startswith(EDGE):
                yield path


def impurities(root: Path) -> list[Impurity]:
    """All of them, in the order of the files."""
    return [found for path in pure_files(root) for found in _of(path, path.relative_to(root).as_posix())]


def _of(path: Path, name: str) -> Iterator[Impurity]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        for what in _what(node, name):
            yield Impurity(name, getattr(node, "lineno", 0), what)


def _what(node: ast.AST, name: str) -> Iterator[str]:
    if isinstance(node, ast.Import | ast.ImportFrom):
        yield from _imports(node, name)
    if isinstance(node, ast.Attribute) and node.attr in ("environ", "getenv", "urandom"):
        yield f"{node.attr} of the operating system"
    if isinstance(node, ast.Attribute) and ast.unparse(node.value) == "random" and node.attr != "Random":
        yield f"random.{node.attr} draws from a generator that nobody has passed in"
    if isinstance(node, ast.Call):
        yield from _calls(node, name)


def _imports(node: ast.Import | ast.ImportFrom, name: str) -> Iterator[str]:
    modules = (
        [node.module or ""] if isinstance(node, ast.ImportFrom) else [alias.name for alias in node.names]
    )
    for module in modules:
        if module.partition(".")[0] in FILE_MODULES and name not in LOADERS:
            yield f"import of {module}, but this file is not one of the loaders"
    if isinstance(node, ast.ImportFrom) and node.module == "random":
        for alias in node.names:
            if alias.name != "Random":
                yield f"random.{alias.name} draws from a generator that nobody has passed in"


def _calls(node: ast.Call, name: str) -> Iterator[str]:
    called = node.func
    word = (
        called.attr
        if isinstance(called, ast.Attribute)
        else called.id
        if isinstance(called, ast.Name)
        else ""
    )
    if isinstance(called, ast.Name) and word in BUILT_INS:
        yield f"{word}()"
    if word in DYNAMIC and name not in IMPORTS_BY_NAME and not _of_a_library(called):
        yield f"{word}() reaches what no contract can see"
    if word in FILES and isinstance(called, ast.Attribute) and name not in LOADERS:
        yield f".{word}() touches a file, but this file is not one of the loaders"
    if word == "Random" and not node.args:
        yield "Random() without a seed"
    if word in CLOCK and isinstance(called, ast.Attribute) and _is_a_date(called.value):
        yield f".{word}() reads the clock"


def _is_a_date(value: ast.expr) -> bool:
    return ast.unparse(value).rpartition(".")[2] in ("datetime", "date")


def _of_a_library(called: ast.expr) -> bool:
    """`re.compile` compiles no code."""
    return (
        isinstance(called, ast.Attribute) and isinstance(called.value, ast.Name) and called.value.id == "re"
    )
