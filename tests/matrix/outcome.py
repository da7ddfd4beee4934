"""What became of one faulty node or supervisor, and where such outcomes are kept between runs."""

from __future__ import annotations

import hashlib
import inspect
import json
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
PASSED = "passed"
CAUGHT, SURVIVED, UNVISITED, EQUIVALENT = "caught", "survived", "unvisited", "equivalent"
"""`survived`: it shows in a run of the suite, and no case fails in each seed. `unvisited`: it shows only elsewhere, for
the suite never comes where it would. `equivalent`: it shows nowhere, and is not counted."""


EITHER: dict[str, dict[str, str]] = tomllib.loads((ROOT / "tests" / "matrix" / "either.toml").read_text())


def either(id_: str) -> dict[str, str]:
    """The requirements that are as right to be named for an entry, each with the reason."""
    return EITHER.get(id_.partition("/")[0].partition("@")[0].partition("+")[0], {})


@dataclass(frozen=True, slots=True)
class Outcome:
    """Of one entry of the matrix."""

    id: str
    requirement: str
    state: str
    case: str = ""
    """The case that failed first, with the first seed."""
    named: str = ""
    """The requirement that it names."""
    seeds: int = 0
    """In how many of the seeds a case failed."""
    tried: int = 0
    """With how many seeds it was run; the first that finds nothing is the last."""
    walk: str = ""
    """What the walk names where the cases do not catch it; 'passed' where it finds nothing, '' where it was not run."""
    crash: str = ""
    """What the firmware crashed with, where the breach made it."""
    revision: str = ""
    """Of the code that it was judged by: of the kit, and behind a hyphen of its breach."""

    @property
    def counted(self) -> bool:
        """Whether it is one that a tester could tell from a correct one."""
        return self.state != EQUIVALENT

    @property
    def walked(self) -> bool:
        """Whether the walk finds what the cases do not catch."""
        return self.walk not in ("", PASSED)

    @property
    def caught(self) -> bool:
        """Whether cases or walk find it with every seed."""
        return self.state == CAUGHT or self.walked

    @property
    def first(self) -> bool:
        """Whether the first that finds it names what is broken, or what is as right to be named."""
        named = self.named if self.state == CAUGHT else self.walk
        return self.caught and named in (self.requirement, *either(self.id))


KIT = ("conformance/suite", "conformance/oracle", "conformance/tester", "conformance/peers", "conformance/bench",
       "protocol", "reference_node")  # fmt: skip
MACHINERY = ("injection.py", "history.py", "said.py", "planted.py", "exercise.py", "judge.py", "acts.py")


@cache
def revision() -> str:
    """Of the kit, the specification, the reference node and the injection; that of a breach is its own."""
    digest = hashlib.blake2b(digest_size=8)
    matrices = [ROOT / "tests" / name / "matrix" for name in ("faulty_nodes", "faulty_supervisors")]
    files = [
        path for part in KIT for path in (ROOT / part).rglob("*") if path.suffix in (".py", ".toml", ".json")
    ]
    files += [path for matrix in matrices for path in matrix.rglob("*.py") if path.name in MACHINERY]
    files.append(ROOT / "tests" / "matrix" / "seeds.py")
    for path in sorted(files):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def revision_of(plant: Callable[[Any], None]) -> str:
    """Of the kit and of one breach: what was judged of it is judged again when this is another."""
    code = inspect.getsource(plant).encode()
    return f"{revision()}-{hashlib.blake2b(code, digest_size=4).hexdigest()}"


def kept(path: Path) -> Iterator[Outcome]:
    """The outcomes in a file, oldest first; a last line that was cut off is no outcome."""
    for line in path.read_text().splitlines() if path.exists() else ():
        try:
            row = json.loads(line)
        except json.JSONDecodeError:
            continue
        yield Outcome(**row)


def line_of(outcome: Outcome) -> str:
    """One line of such a file."""
    return json.dumps(asdict(outcome)) + "\n"
