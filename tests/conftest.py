"""What holds for every test: skips are told loudly, and generated examples are the same on every run."""

from __future__ import annotations

import gc
import os
import shutil
import signal
import threading
from collections import Counter, defaultdict
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from tests.dealing import listed, longest_first, not_as_listed
from tests.examples import load_profile
from tests.kinds import Guard, sort_into_kinds, stays_in_this_process
from tests.needs import PLACES

if TYPE_CHECKING:
    from playwright.sync_api import Browser

load_profile()
# What the person at this machine has set is no part of a test, nor of the programs that it starts.
os.environ["YARDWIRE_CONFIG"] = ""
SIGNALS = (signal.SIGINT, signal.SIGHUP)

GUARD = Guard()
GUARD.install()

SKIPS_FORBIDDEN = os.environ.get("YARDWIRE_NO_SKIP") == "1"


def pytest_configure(config: pytest.Config) -> None:
    """Let what the tests start take signals as usual where these were started to ignore some (`nohup make test`).

    A handler that does nothing ignores them here as well, and is not inherited by other programs.
    """
    distributes = bool(
        getattr(config.option, "numprocesses", None)
    )  # Its workers have to go on ignoring them.
    if distributes or threading.current_thread() is not threading.main_thread():
        return
    for number in SIGNALS:
        if signal.getsignal(number) is signal.SIG_IGN:
            signal.signal(number, lambda *_: None)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Mark what starts processes or opens sockets (`wire`) and what drives a browser.

    Tests of files that take long are `long`: nothing between two edits. In a worker put the files that take longest
    first as well: they are dealt in this order.
    """
    sort_into_kinds(items)
    long = listed()
    for item in items:
        if _file(item.nodeid) in long:
            item.add_marker("long")
    if hasattr(config, "workerinput"):
        order = longest_first((_file(item.nodeid) for item in items), listed())
        place = {name: number for number, name in enumerate(order)}
        items.sort(key=lambda item: place[_file(item.nodeid)])


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    """Take what was collected out of what the garbage collector looks at again and again: it stays to the end."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_setup(item: pytest.Item) -> Iterator[None]:
    """From here on a test that says to need this process alone is held to it."""
    if stays_in_this_process(item):
        GUARD.begin()
    yield


@pytest.hookimpl(wrapper=True)
def pytest_runtest_teardown(item: pytest.Item) -> Iterator[None]:
    """Fail where it started a process or opened a network socket after all."""
    try:
        yield
    finally:
        GUARD.end()
    if stays_in_this_process(item) and GUARD.noted:
        started = "; ".join(GUARD.noted)
        pytest.fail(f"not marked 'wire', and it started: {started}", pytrace=False)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """Debian's chromium, driven; for tests that are marked with `needs("chromium")`."""
    from playwright.sync_api import sync_playwright

    program = shutil.which("chromium", path=PLACES)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield browser
        browser.close()


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Where everything needed is installed (CI), a skip means a check that nobody noticed was not made."""
    if SKIPS_FORBIDDEN and _skips(session.config) and session.exitstatus == pytest.ExitCode.OK:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say what was not tested and what to install, where the reader of the closing line sees it."""
    if os.environ.get("YARDWIRE_TIMES") == "1":
        _tell_times(terminalreporter)
    skips = _skips(config)
    if not skips:
        return
    total = skips.total()
    if SKIPS_FORBIDDEN:
        title = f"FAILED: {total} skipped, and YARDWIRE_NO_SKIP=1 allows none"
    else:
        title = f"NOT TESTED: {total} skipped"
    terminalreporter.section(title, sep="!", yellow=True, bold=True)
    for reason, count in sorted(skips.items()):
        terminalreporter.line(f"{count:4} x {reason}")
    terminalreporter.line("Install what is named above, or run .ci/run on Debian, which installs all of it.")


def _file(nodeid: str) -> str:
    return nodeid.partition("::")[0]


def _tell_times(terminalreporter: pytest.TerminalReporter) -> None:
    took: defaultdict[str, float] = defaultdict(float)
    for reports in terminalreporter.stats.values():
        for report in reports:
            if isinstance(report, pytest.TestReport):
                took[_file(report.nodeid)] += report.duration
    for line in not_as_listed(took, listed()):
        terminalreporter.line(f"tests/long_files.toml: {line}")


def _skips(config: pytest.Config) -> Counter[str]:
    """Count the skips by their reason; none in a worker of pytest-xdist, as the main process counts those."""
    reporter = config.pluginmanager.get_plugin("terminalreporter")
    if reporter is None or hasattr(config, "workerinput"):
        return Counter()
    return Counter(_reason(report) for report in reporter.stats.get("skipped", []))


def _reason(report: pytest.TestReport | pytest.CollectReport) -> str:
    where_and_why = report.longrepr
    text = where_and_why[2] if isinstance(where_and_why, tuple) else str(where_and_why)
    return text.removeprefix("Skipped: ")
