"""The first error of any thread, callback or task stops the program, and nothing is published after it."""

from __future__ import annotations

import asyncio
import gc
import threading
from collections.abc import Iterator
from contextlib import suppress
from time import sleep
from typing import Any

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from conformance.bench.loop_thread import LoopThread
from conformance.commands.terminal.thread_failure import stopped_by_a_thread
from protocol.wire.fail_stop import Failed, FailStop, check, fail, fail_stop, task
from protocol.wire.mqtt_client import MqttClient

WITHIN_S = 10.0


@pytest.fixture
def woken() -> Iterator[tuple[FailStop, threading.Event]]:
    event = threading.Event()
    with fail_stop(event.set) as program:
        yield program, event


def fall(*_: Any) -> None:
    raise ZeroDivisionError("planted")


def stopped(woken: tuple[FailStop, threading.Event]) -> None:
    program, event = woken
    assert event.wait(WITHIN_S)
    assert isinstance(program.failure, ZeroDivisionError)
    with pytest.raises(Failed, match="planted"):
        check()


@pytest.mark.parametrize("kind", [threading.Thread, threading.Timer])
def test_a_thread(woken: tuple[FailStop, threading.Event], kind: Any) -> None:
    thread = kind(target=fall) if kind is threading.Thread else kind(0, fall)
    thread.start()
    thread.join()
    stopped(woken)


def test_a_task_and_a_callback_of_a_loop(woken: tuple[FailStop, threading.Event]) -> None:
    loop = LoopThread("test")
    loop.start()
    loop.loop.call_soon_threadsafe(fall)
    try:
        stopped(woken)
    finally:
        loop.stop()


def test_a_task_that_nobody_asks(woken: tuple[FailStop, threading.Event]) -> None:
    async def work() -> None:
        fall()

    async def start() -> None:
        task(work())
        await asyncio.sleep(0.01)

    asyncio.run(start())
    stopped(woken)


def test_where_nothing_can_be_raised_the_main_thread_is_woken_again() -> None:
    """Python drops what a callback of the garbage collector raises."""
    began = threading.Event()

    def collected(_phase: str, _info: dict[str, int]) -> None:
        if not began.is_set():
            began.set()
            thread = threading.Thread(target=fall)
            thread.start()
            thread.join()

    def collect_and_wait() -> None:
        gc.callbacks.append(collected)
        try:
            gc.collect()
        finally:
            gc.callbacks.remove(collected)
        sleep(WITHIN_S)

    with stopped_by_a_thread(), pytest.raises(Failed, match="planted"):
        collect_and_wait()
    assert began.is_set()


def test_only_the_first_counts_and_it_wakes_once() -> None:
    woken: list[int] = []
    with fail_stop(lambda: woken.append(1)) as program:
        fail(ValueError("first"))
        fail(ValueError("second"))
        assert (str(program.failure), woken) == ("first", [1])
    assert not fail(ValueError("where nothing is guarded"))
    check()


@pytest.fixture(scope="module")
def broker() -> Iterator[Broker]:
    with start_broker("embedded") as running:
        yield running


@pytest.fixture
def sockets_collected() -> Iterator[None]:
    """The sockets of a client whose thread fell are closed by nobody else: in this test, and in no later one."""
    yield
    gc.collect()


def joined(name: str) -> None:
    """Wait until the thread of this name ended: loop_stop() does not, where a callback's error ends the thread, and
    the error would be reported in whichever test runs next."""
    for thread in threading.enumerate():
        if thread.name == name:
            thread.join(WITHIN_S)
            assert not thread.is_alive()


@pytest.mark.parametrize("callback", ["on_connect", "on_message", "on_subscribe", "on_publish", "filtered"])
@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.usefixtures("sockets_collected")
@pytest.mark.parametrize("guarded", [True, False])
def test_a_client_whose_callback_failed_publishes_nothing(
    broker: Broker, callback: str, guarded: bool
) -> None:
    from paho.mqtt.enums import CallbackAPIVersion

    event = threading.Event()
    heard: list[str] = []
    subscriber = MqttClient(CallbackAPIVersion.VERSION2, f"ear-{callback}{guarded}")
    subscriber.on_message = lambda _c, _d, message: heard.append(message.topic)
    subscriber.connect(broker.host, broker.port)
    subscriber.subscribe("x/#", 1)
    subscriber.loop_start()
    client = MqttClient(CallbackAPIVersion.VERSION2, f"c-{callback}{guarded}")

    def broken(*_: Any) -> None:
        event.set()
        fall()

    def run() -> None:
        if callback == "filtered":
            client.message_callback_add("x/#", broken)
        else:
            setattr(client, callback, broken)
        client.connect(broker.host, broker.port)
        client.subscribe("x/#", 1)
        client.loop_start()
        with suppress(Failed, RuntimeError):  # It may have failed by now.
            client.publish("x/first", b"", 1)
        assert event.wait(WITHIN_S)
        joined(f"paho-mqtt-client-c-{callback}{guarded}")
        with pytest.raises((Failed, RuntimeError)):
            client.publish("x/later", b"", 1)

    if guarded:
        with fail_stop(lambda: None):
            run()
    else:
        run()
    subscriber.disconnect()
    subscriber.loop_stop()
    assert "x/later" not in heard
