"""What a test needs beside this process, found from what it calls, and held while it runs.

`wire` tests start processes or open network sockets, `browser` tests drive chromium. All others run in this process
alone: one that starts a process or opens a socket after all fails, so that `make quick` stays quick.
"""

from __future__ import annotations

import inspect
import sys
import threading
from collections.abc import Callable, Iterator
from functools import cache
from types import CodeType, FunctionType, ModuleType
from typing import Any

import pytest

MODULES = ("subprocess", "socket", "pty", "multiprocessing")
STARTERS = (
    "conformance.bench.brokers.", "conformance.bench.processes.child", "conformance.bench.tap.tap",
    "conformance.bench.tap.node_socket", "conformance.page.server.server", "protocol.wire.mqtt", "protocol.wire.dial",
)  # fmt: skip
"""Where functions and classes of the kit stand that start a process or open a socket themselves."""
EVENTS = (
    "subprocess.Popen",
    "os.fork",
    "os.forkpty",
    "os.posix_spawn",
    "os.system",
    "socket.bind",
    "socket.connect",
)
FAULTY = (
    "tests/faulty_nodes/",
    "tests/faulty_supervisors/",
    "tests/legal_nodes/",
    "tests/legal_supervisors/",
    "tests/fuzz/test_planted_bugs.py",
    "tests/soak/",
)
"""Where each test plays the whole suite, or a whole campaign, over another node: seconds of computing each."""


_START_NOTHING: dict[int, Any] = {}
"""What was looked at and reaches nothing of that, by identity, which lasts as long as it is kept."""


def sort_into_kinds(items: list[pytest.Item]) -> None:
    """Mark each test with what it needs."""
    for item in items:
        if not isinstance(item, pytest.Function):
            continue
        if item.nodeid.startswith(FAULTY):
            item.add_marker("faulty")
        if "yards" in item.fixturenames:
            item.add_marker("slow")  # Whoever comes first makes the recordings, each of a whole yard's run.
        if "chromium" in item.fixturenames:
            item.add_marker("browser")
        if _needs_a_program(item) or any(_starts(function) for function in _functions(item)):
            item.add_marker("wire")


def stays_in_this_process(item: pytest.Item) -> bool:
    """Whether it may start no process and open no network socket."""
    return not any(item.get_closest_marker(name) for name in ("wire", "browser"))


def _needs_a_program(item: pytest.Item) -> bool:
    reasons = [str(mark.kwargs.get("reason", "")) for mark in item.iter_markers("skipif")]
    return any(reason.startswith("NOT TESTED:") for reason in reasons)


def _fixtures(item: pytest.Function) -> Iterator[pytest.FixtureDef[Any]]:
    """Those of our own that it uses, directly or not."""
    for definitions in item._fixtureinfo.name2fixturedefs.values():
        for definition in definitions:
            if definition.func.__module__.startswith(("tests", "conftest")):
                yield definition


def _functions(item: pytest.Function) -> Iterator[Callable[..., Any]]:
    yield item.function
    yield from (definition.func for definition in _fixtures(item))
    callspec = getattr(item, "callspec", None)
    if callspec is not None:
        yield from (value for value in callspec.params.values() if inspect.isfunction(value))


@cache
def _starts(thing: Any) -> bool:
    """Whether it reaches, through functions and classes of the tests, what starts a process or opens a socket."""
    seen: dict[int, Any] = {}
    todo: list[Any] = [thing]
    while todo:
        one = todo.pop()
        if id(one) in seen or id(one) in _START_NOTHING:
            continue
        seen[id(one)] = one
        if isinstance(one, ModuleType):
            if one.__name__ in MODULES:
                return True
            continue
        if str(getattr(one, "__module__", "")).startswith(STARTERS) and callable(one):
            return True
        if inspect.isclass(one):
            todo += vars(one).values()
        elif isinstance(one, property):
            todo.append(one.fget)
        elif isinstance(one, staticmethod | classmethod):
            todo.append(one.__func__)
        elif inspect.isroutine(one):
            todo += _named_in(inspect.unwrap(one))
    _START_NOTHING.update(seen)
    return False


def _named_in(function: Any) -> Iterator[Any]:
    """What of the tests, and of what starts something, is named in the code of a function of the tests."""
    if not isinstance(function, FunctionType) or not str(function.__module__).startswith("tests"):
        return
    names = set(_names(function.__code__))
    here = function.__globals__
    for name in names & here.keys():
        value = here[name]
        yield value
        if isinstance(value, ModuleType) and value.__name__.startswith("tests."):
            yield from (vars(value)[inner] for inner in names & vars(value).keys())
    yield from (cell.cell_contents for cell in function.__closure__ or () if _is_filled(cell))


def _is_filled(cell: Any) -> bool:
    try:
        return cell.cell_contents is not None
    except ValueError:
        return False


def _names(code: CodeType) -> Iterator[str]:
    yield from code.co_names
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            yield from _names(constant)


class Guard:
    """Notes what the test that runs now starts in this interpreter, by the interpreter's own audit events."""

    def __init__(self) -> None:
        self._before: set[threading.Thread] | None = None
        self.noted: list[str] = []

    def install(self) -> None:
        """Listen, until the interpreter ends: an audit hook cannot be taken back."""
        sys.addaudithook(self._hear)

    def begin(self) -> None:
        """A test begins; threads that are left of another one are not charged to it."""
        self._before = set(threading.enumerate()) - {threading.current_thread()}
        self.noted.clear()

    def end(self) -> None:
        """The test is over."""
        self._before = None

    def _hear(self, event: str, args: tuple[Any, ...]) -> None:
        if self._before is None or event not in EVENTS:
            return
        if event.startswith("socket."):
            import socket

            if args[0].family not in (socket.AF_INET, socket.AF_INET6):
                return
        if threading.current_thread() not in self._before:
            self.noted.append(f"{event} {args[0] if event == 'subprocess.Popen' else args[1:]}")
