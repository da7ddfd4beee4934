"""One mutant in a process of its own: a fork that imports the mutated source in place of the file, and runs tests.

Nothing of the project is imported before the fork, and no file is changed, so that any number run beside each other. A
program that a test starts is the real one: what only such a test could see lives.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import resource
import signal
import struct
import sys
import time
import traceback
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, SourceFileLoader
from importlib.util import spec_from_file_location
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

import pytest

LEFT_OUT = "not browser and not slow and not exhaustive and not faulty"
ENDS = {
    int(pytest.ExitCode.OK): "passed",
    int(pytest.ExitCode.TESTS_FAILED): "failed",
    int(pytest.ExitCode.NO_TESTS_COLLECTED): "none",
}
MEMORY = 4 << 30
"""Bytes of address space that a mutant may take."""
NOT_MUTATED = b"\0not mutated"
PATIENCE = 8
"""How many times its processor time a test may take by the clock, for one that waits for ever."""
MOST_TESTS = 40
"""How many times the processor time of one test all of them may take together."""


class MutatedLoader(SourceFileLoader):
    """Gives the mutated source in place of the file's."""

    def __init__(self, name: str, path: str, source: str) -> None:
        """As the file at `path` would be read with this source in it."""
        super().__init__(name, path)
        self._source = source

    def get_code(self, fullname: str) -> CodeType:
        """Compiled, and cached nowhere."""
        return compile(self._source, self.path, "exec", dont_inherit=True)


class MutatedFinder(MetaPathFinder):
    """Finds the one module."""

    def __init__(self, root: Path, file: str, source: str) -> None:
        """`file` is its path under the root."""
        self.name = file.removesuffix(".py").replace("/", ".")
        self._path = str(root / file)
        self._source = source

    def find_spec(self, fullname: str, path: object, target: ModuleType | None = None) -> ModuleSpec | None:
        """The mutated module, where it is asked for."""
        if fullname != self.name:
            return None
        return spec_from_file_location(
            fullname, self._path, loader=MutatedLoader(fullname, self._path, self._source)
        )


class Now:
    """What runs in the child at the moment, seen by its parent: when it began, and the node id of a test."""

    _BEGAN = struct.Struct("<dH")

    def __init__(self) -> None:
        self._shared = mmap.mmap(-1, 4096)
        self.begin("")

    def begin(self, test: str) -> None:
        """A test begins, or with '' what comes before the first."""
        name = test.encode()[: 4096 - self._BEGAN.size]
        self._shared[: self._BEGAN.size + len(name)] = self._BEGAN.pack(time.monotonic(), len(name)) + name

    def look(self) -> tuple[float, str]:
        """When it began, by the clock that all processes have in common, and which it is."""
        began, length = self._BEGAN.unpack_from(self._shared)
        return began, self._shared[self._BEGAN.size : self._BEGAN.size + length].decode(errors="replace")


class Witness:
    """Says on a pipe which test failed first; runs only some tests where they are named."""

    def __init__(
        self,
        pipe: int,
        now: Now,
        seconds: int,
        finder: MutatedFinder | None = None,
        only: frozenset[str] | None = None,
    ) -> None:
        """`only` are node ids as pytest gives them; each may take so many seconds of processor time."""
        self._pipe = pipe
        self._now, self._seconds = now, seconds
        self._finder = finder
        self._only = only
        self._told = False

    @pytest.hookimpl(tryfirst=True)
    def pytest_load_initial_conftests(self) -> None:
        """Put the mutant before pytest's own finder, which would read the modules of our plugin from their files."""
        if self._finder is not None:
            sys.meta_path.insert(0, self._finder)

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """Hold a module that came from its file after all against this tool, not against the tests.

        What comes behind the last test has its own time: memory that the parent filled is looked through there.
        """
        self._now.begin("")
        _may_take(self._seconds)
        module = None if self._finder is None else sys.modules.get(self._finder.name)
        if module is not None and not isinstance(module.__loader__, MutatedLoader):
            os.write(self._pipe, NOT_MUTATED)

    @pytest.hookimpl(tryfirst=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        """Keep what was named."""
        if self._only is not None:
            items[:] = [item for item in items if item.nodeid in self._only]

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        """Say which test begins, and give it its time."""
        self._now.begin(nodeid)
        _may_take(self._seconds)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Tell the first failure."""
        if report.failed and not self._told:
            self._told = True
            os.write(self._pipe, report.nodeid.encode()[:4000])


@dataclass(slots=True)
class Trial:
    """A run of tests that is under way in a process of its own."""

    process: int
    pipe: int
    began: float
    seconds: int
    """Of processor time that one test may take."""
    now: Now
    ended: str = ""
    """`passed`, `failed`, `time-out`, `broken` (pytest could not run the tests) or `none` (none was left to run); ''
    while it runs."""
    test: str = ""
    """The first test that failed, or the one that took too long."""

    def look(self) -> bool:
        """Whether it is over; ends it where it takes too long."""
        began, running = self.now.look()
        late = time.monotonic() - began > PATIENCE * self.seconds
        if late:
            os.killpg(self.process, signal.SIGKILL)
        number, status = os.waitpid(self.process, 0 if late else os.WNOHANG)
        if not number:
            return False
        told = os.read(self.pipe, 4096)
        if NOT_MUTATED in told:
            raise RuntimeError("the tests ran over the file in place of the mutant")
        self.test = told.decode(errors="replace")
        os.close(self.pipe)
        self._end_group()
        if os.WIFSIGNALED(status):
            out_of_time = late or os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL)
            self.ended = "time-out" if out_of_time else "failed"
            self.test = self.test or running
        else:
            code = os.WEXITSTATUS(status)
            self.ended = ENDS.get(code, "failed" if self.test else "broken")
        return True

    def stop(self) -> None:
        """End it before its time."""
        self._end_group()
        os.waitpid(self.process, 0)

    def _end_group(self) -> None:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.process, signal.SIGKILL)


def start(
    tests: Sequence[str],
    seconds: int,
    finder: MutatedFinder | None = None,
    only: Iterable[str] | None = None,
    log: Path | None = None,
) -> Trial:
    """Run tests until the first fails or takes more `seconds`, with a module mutated where a finder is given."""
    reading, writing = os.pipe()
    now = Now()
    sys.stdout.flush()
    process = os.fork()
    if process:
        os.close(writing)
        return Trial(process, reading, time.monotonic(), seconds, now)
    os.close(reading)
    chosen = None if only is None else frozenset(only)
    _as_child(lambda: _run(tests, Witness(writing, now, seconds, finder, chosen)), seconds, log)
    raise AssertionError("the child has ended")


def _as_child(run: Callable[[], int], seconds: int, log: Path | None) -> None:
    code = 3
    try:
        os.setsid()
        resource.setrlimit(resource.RLIMIT_CPU, (seconds, MOST_TESTS * seconds))
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        # Whoever ignores it would have its mutants run for ever.
        signal.signal(signal.SIGXCPU, signal.SIG_DFL)
        out = os.open(log or os.devnull, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        for stream in (1, 2):
            os.dup2(out, stream)
        code = run()
    except BaseException:  # noqa: BLE001 - a fork must never go on with what its parent does
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def _may_take(seconds: int) -> None:
    """From now on so many seconds of processor time; the kernel ends who takes more."""
    _, most = resource.getrlimit(resource.RLIMIT_CPU)
    resource.setrlimit(resource.RLIMIT_CPU, (min(most, int(time.process_time()) + 1 + seconds), most))


def _run(tests: Sequence[str], witness: Witness) -> int:
    os.environ["YARDWIRE_FIRST_FAILURE"] = "1"
    # Libraries that are read already are not rewritten, and pytest would warn of it.
    quiet = ("-W", "ignore::pytest.PytestAssertRewriteWarning")
    options = ["-x", "-q", "--tb=line", "-p", "no:cacheprovider", "-p", "no:xdist", *quiet, "-m", LEFT_OUT]
    plugins: list[Any] = [witness]
    return int(pytest.main([*options, *tests], plugins=plugins))
