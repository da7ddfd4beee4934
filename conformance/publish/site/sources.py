"""What people wrote for the site: Markdown of the project, its pictures, and the faulty nodes of its tests."""

from __future__ import annotations

import ast
from dataclasses import dataclass
from pathlib import Path

import conformance

_PLACES = {
    "README.md": "about.html",
    "DEVELOPERS.md": "contributors.html",
    "CHANGELOG.md": "changes.html",
    "SECURITY.md": "security.html",
}


@dataclass(frozen=True, slots=True)
class Source:
    """A document: the page that it becomes, and its Markdown."""

    page: str
    text: str


@dataclass(frozen=True, slots=True)
class FaultyNode:
    """A node or supervisor of the tests that is wrong on purpose: what it breaks, and the case that must say so."""

    name: str
    requirement: str
    caught_by: str


def home() -> Path:
    """The folder with docs/: that of the checkout, or what the installed package carries along."""
    package = Path(conformance.__file__).parent
    carried = package / "publish" / "carried"
    return carried if carried.is_dir() else package.parent


def documents(root: Path) -> dict[str, Source]:
    """Path in the project to document, guides first."""
    found = {}
    for path in [*sorted(root.glob("docs/**/*.md")), *(root / name for name in _PLACES)]:
        if path.is_file():
            name = path.relative_to(root).as_posix()
            found[name] = Source(_page(name), path.read_text(encoding="utf-8"))
    first = ("docs/guides/", "docs/protocol/")
    return dict(
        sorted(found.items(), key=lambda item: (not item[0].startswith(first), item[0] in _PLACES, item[0]))
    )


def _page(name: str) -> str:
    if name in _PLACES:
        return _PLACES[name]
    return name.removeprefix("docs/").removesuffix(".md").replace("/README", "/index") + ".html"


def pictures(root: Path) -> dict[str, bytes]:
    """Path in the project to picture."""
    return {
        path.relative_to(root).as_posix(): path.read_bytes()
        for path in sorted(root.glob("docs/pictures/*.png"))
    }


def faulty_nodes(root: Path) -> list[FaultyNode]:
    """The faulty ones, read out of the tests without running them; none where the tests are not there."""
    found = []
    for path in sorted(root.glob("tests/faulty_*/*.py")):
        for entry in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(entry, ast.ClassDef):
                found += [
                    FaultyNode(entry.name, *named) for named in map(_named, entry.decorator_list) if named
                ]
    return found


def _named(decorator: ast.expr) -> tuple[str, str] | None:
    if not isinstance(decorator, ast.Call) or getattr(decorator.func, "id", "") != "faulty":
        return None
    words = [str(part.value) for part in decorator.args if isinstance(part, ast.Constant)]
    return (words[0], words[1]) if len(words) == 2 else None
