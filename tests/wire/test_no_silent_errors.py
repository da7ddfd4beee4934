"""No error of a thread, callback or task is lost: every way to lose one in Python is listed here with its reason.

Threads need no list: what leaves one reaches `threading.excepthook`, which stops the program.
"""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

import protocol

ROOT = Path(protocol.__file__).parents[1]
PRODUCT = ("protocol", "conformance", "reference_node")

KEEPS_ERRORS = {
    "create_task", "ensure_future", "TaskGroup", "ThreadPoolExecutor", "ProcessPoolExecutor", "run_in_executor",
    "run_coroutine_threadsafe", "call_soon_threadsafe", "set_exception_handler", "excepthook",
}  # fmt: skip
"""Names whose use may leave an error in a future, or takes it away from whoever would tell it."""

KNOWN = {
    ("protocol/wire/fail_stop.py", "create_task"): "the one place, and its error is told",
    ("protocol/wire/fail_stop.py", "set_exception_handler"): "tells it",
    ("protocol/wire/fail_stop.py", "excepthook"): "tells it, and puts back what was there",
    ("protocol/wire/mqtt.py", "except"): "kept for whoever asks, and told; that of a call goes to its caller",
    ("protocol/wire/dial.py", "except"): "raised by whoever takes the result",
    ("conformance/bench/loop_thread.py", "run_coroutine_threadsafe"): "its result is waited for",
    ("conformance/bench/loop_thread.py", "call_soon_threadsafe"): "stops the loop, and no more",
    ("conformance/bench/tap/tap.py", "gather"): "tasks of fail_stop.task, which have told theirs",
    ("conformance/bench/tap/relay.py", "gather"): "tasks of fail_stop.task, which have told theirs",
    ("conformance/bench/tap/node_socket.py", "gather"): "a task of fail_stop.task, which has told its own",
    ("conformance/bench/tap/relay.py", "except"): "told to the book, which keeps it and stops the program",
    (
        "conformance/bench/brokers/amqtt_fixed.py",
        "create_task",
    ): "the broker's own, whose clients may leave at any time",
    (
        "conformance/bench/brokers/amqtt_fixed.py",
        "gather",
    ): "the broker's own, whose clients may leave at any time",
    ("conformance/bench/brokers/embedded.py", "set_exception_handler"): "the broker's own, noted in its log",
    ("conformance/page/server/desk.py", "except"): "raised by whoever waits for the errand",
    ("conformance/tester/runner.py", "except"): "on the main thread: the verdict on a case is ERROR",
    ("conformance/commands/main.py", "except"): "on the main thread: how the command ends",
    ("conformance/commands/held.py", "suppress"): "at the end; says that no hold could be sent",
    ("conformance/tester/held.py", "suppress"): "at the end; says that the node could not be told to hold",
    ("conformance/recordings/replay/replay.py", "suppress"): "at the end; says who could not be told to hold",
    ("conformance/recordings/store/dataset.py", "paho"): "a client of a cluster, and none of MQTT",
    (
        "reference_node/firmware/micropython/yardwire_node/main_loop.py",
        "gather",
    ): "it is awaited: whatever fails of the two ends the program with its outputs off",
    (
        "reference_node/firmware/micropython/yardwire_node/mqtt.py",
        "create_task",
    ): "the end of the writer ends the connection, and the next one begins again",
    (
        "reference_node/firmware/micropython/yardwire_node/serial.py",
        "create_task",
    ): "awaited by the reader once it has failed",
    (
        "conformance/commands/demo/command.py",
        "ThreadPoolExecutor",
    ): "its result is asked for at the end of the demo",
}


def lost_in(tree: ast.AST) -> Iterator[str]:
    """What of a module may lose an error."""
    for found in ast.walk(tree):
        match found:
            case ast.Attribute(attr=name) | ast.Name(id=name) if name in KEEPS_ERRORS:
                yield name
            case ast.Attribute(attr="gather"):
                yield "gather"
            case ast.ExceptHandler() if _takes_all(found.type) and not _passes_on(found):
                yield "except"
            case ast.Call(func=ast.Name(id="suppress") | ast.Attribute(attr="suppress"), args=args):
                if any(map(_takes_all, args)):
                    yield "suppress"
            case ast.Call(func=ast.Name(id="Client") | ast.Attribute(attr="Client")):
                yield "paho"
            case ast.ClassDef(bases=bases) if any(
                ast.unparse(base).split(".")[-1] == "Client" for base in bases
            ):
                yield "paho"


def _takes_all(kind: ast.expr | None) -> bool:
    return kind is None or bool(
        {"Exception", "BaseException"} & set(ast.unparse(kind).strip("()").split(", "))
    )


def _passes_on(handler: ast.ExceptHandler) -> bool:
    return any(isinstance(last, ast.Raise) for last in ast.walk(handler))


def found_in_product() -> set[tuple[str, str]]:
    return {
        (path.relative_to(ROOT).as_posix(), what)
        for package in PRODUCT
        for path in sorted((ROOT / package).rglob("*.py"))
        for what in lost_in(ast.parse(path.read_text(encoding="utf-8")))
    }


def test_every_place_that_may_lose_an_error_is_known() -> None:
    known = set(KNOWN) | {("protocol/wire/mqtt_client.py", "paho")}  # Its callbacks are guarded there.
    assert found_in_product() == known


@pytest.mark.parametrize(
    "code",
    [
        "asyncio.create_task(work())", "from asyncio import ensure_future\nensure_future(work())",
        "try: f()\nexcept Exception: pass", "try: f()\nexcept: pass", "try: f()\nexcept (OSError, BaseException): pass",
        "with suppress(Exception): f()", "with contextlib.suppress(OSError, BaseException): f()",
        "client = mqtt.Client(2)", "class C(Client): pass", "threading.excepthook = quiet",
        "asyncio.gather(a, return_exceptions=True)", "pool = ThreadPoolExecutor(1)",
        "loop.set_exception_handler(quiet)",
    ],
)  # fmt: skip
def test_one_that_is_planted_is_found(code: str) -> None:
    assert Counter(lost_in(ast.parse(code)))


@pytest.mark.parametrize(
    "code",
    [
        "try: f()\nexcept Exception:\n    g()\n    raise",
        "try: f()\nexcept OSError: pass",
        "with suppress(OSError): f()",
    ],
)
def test_what_tells_it_is_not_found(code: str) -> None:
    assert not Counter(lost_in(ast.parse(code)))
