"""Commands that stand in the way of their own end, for the tests of the limit in time."""

from __future__ import annotations

import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

import click

from conformance.files.whole_file import beside, growing


def _wait() -> None:
    print("waiting", flush=True)  # noqa: T201
    threading.Event().wait()


@click.command()
def cleans_up_for_ever() -> None:
    try:
        _wait()
    finally:
        threading.Event().wait()


@click.command()
def waits_for_a_thread() -> None:
    worker = threading.Thread(target=threading.Event().wait, daemon=True)
    worker.start()
    try:
        _wait()
    finally:
        worker.join()


@click.command()
def leaves_a_thread_behind() -> None:
    threading.Thread(target=threading.Event().wait).start()  # No daemon: Python waits for it at its end.
    _wait()


class _Slow:
    def __del__(self) -> None:
        print("waiting", flush=True)  # noqa: T201
        time.sleep(1)


@click.command()
def loses_it_in_a_destructor() -> None:
    _Slow()
    threading.Event().wait()


@click.command()
def makes_another_error_of_it() -> None:
    try:
        _wait()
    except KeyboardInterrupt:
        raise ValueError("a library stumbled") from None


class _Part:
    def __set_name__(self, _owner: type, _name: str) -> None:
        _wait()


@click.command()
def wraps_it_as_an_import_does() -> None:
    type("Whole", (), {"part": _Part()})  # Python makes a RuntimeError of what is raised in there.


@click.command()
def ignores_it_in_a_loop_of_its_own() -> None:
    while True:
        with suppress(BaseException):  # as libraries do
            _wait()


@click.command()
def writes_for_ever() -> None:
    with growing(Path("tape.bin")), beside(Path("report.json")) as part:
        Path("tape.bin").write_bytes(b"so far")
        part.write_text("{", encoding="utf-8")
        try:
            _wait()
        finally:
            threading.Event().wait()


if __name__ == "__main__":
    from conformance.commands import entry, main
    from conformance.commands.lazy import LazyCommand

    main.COMMANDS[sys.argv[1]] = LazyCommand(f"tests.stopping.endings:{sys.argv[1]}", "")
    entry.main()
