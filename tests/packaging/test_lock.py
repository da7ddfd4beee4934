"""The lock file of CI names every dependency once, at a version that pyproject.toml allows."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]


def declared() -> list[Requirement]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    extras = project["optional-dependencies"]
    rows = [*project["dependencies"], *extras["dev"], *extras["boards"]]
    return [one for one in map(Requirement, rows) if one.name != "yardwire"]


def locked() -> list[Requirement]:
    lines = (ROOT / ".ci" / "requirements.txt").read_text("utf-8").splitlines()
    return [Requirement(line) for line in lines if line and not line.startswith("#")]


def test_every_dependency_is_locked_within_its_range() -> None:
    """`make lock` writes it."""
    pins = locked()
    assert all(re.fullmatch(r"==[^,]+", str(one.specifier)) for one in pins)
    for wanted in declared():
        found = [one for one in pins if canonicalize_name(one.name) == canonicalize_name(wanted.name)]
        assert found, f"{wanted.name} is not locked"
        for one in found:
            assert wanted.specifier.contains(str(one.specifier).removeprefix("==")), str(one)


def test_ci_installs_from_it() -> None:
    assert "export PIP_CONSTRAINT=$PWD/.ci/requirements.txt" in (ROOT / ".ci" / "run").read_text("utf-8")
