"""Cases of the kit as pytest items. One run of the kit's own runner judges them all.

pass is passed; fail and inconclusive are failed, for neither shows that the node conforms; an error of the kit
is an error; a case that was not selected is skipped with the reason. A broken SHOULD fails nothing: it is a
section of the item's report (`-rP` shows it). Cases for other roles than the node's are no items.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import ExitStack, nullcontext
from pathlib import Path
from random import Random
from typing import Any

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.bench.connection.address import Address
from conformance.bench.connection.login import SEEN, Login, address_of, has_password
from conformance.bench.processes.program import words_of
from conformance.bench.processes.spawned_node import spawned_node
from conformance.bench.tap.arrival import seldom, wait_for_node
from conformance.bench.tap.attribution import NodeSignature
from conformance.bench.tap.tap import Tap
from conformance.bench.wire_bench import WireBench
from conformance.reports import as_text
from conformance.reports.document import case_document
from conformance.suite.case import Case, all_cases
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.held import hold, is_at_work
from conformance.tester.identity import require_asked_for
from conformance.tester.reset import Reset, command
from conformance.tester.result import Result
from conformance.tester.runner import Run, Selection, order
from conformance.tester.supervisor_bench import reference_program, supervisor_fixture
from protocol.caution import KEEP_CLEAR
from protocol.site_file import load_site
from protocol.trouble import Trouble

SEED = 1


class NotConformant(Exception):
    """A case that did not pass; the text is what the kit's own report says of it."""


class Kit:
    """The plugin while a node is judged: adds the items, and performs the run when the first one is due."""

    def __init__(self, config: pytest.Config) -> None:
        """Read the options. Raises pytest.UsageError before anything starts."""
        self._config = config
        self._open = ExitStack()
        self._run: Run | None = None
        self._steps: Iterator[Result] = iter(())
        self._trouble: Trouble | None = None
        self._tap: Tap | None = None
        self.judged = 0
        """Cases that came to a verdict."""
        try:
            self._read_options(config)
        except Trouble as trouble:
            raise pytest.UsageError(str(trouble)) from None

    def _read_options(self, config: pytest.Config) -> None:
        self.node: str = config.getoption("yardwire_node")
        self._spawn: bool = config.getoption("yardwire_spawn")
        self._motion = not config.getoption("yardwire_no_motion")
        self._slow: float = config.getoption("yardwire_slow")
        self._bus = _bus(config)
        site_path = config.getoption("yardwire_site") or os.environ.get("YARDWIRE_SITE")
        if not site_path:
            raise Trouble(
                "--yardwire-node needs --yardwire-site", fix="Name the site file that names the node"
            )
        self.site_path = Path(site_path)
        self._site = load_site(self.site_path)
        if self.node not in self._site.nodes:
            raise Trouble(f"the site file names no node {self.node!r}", where=str(self.site_path))
        self._program = self._program_of(config.getoption("yardwire_program"))
        may_move: bool = config.getoption("yardwire_may_move")
        if self._program is not None and self._bus is not None and not may_move:
            raise Trouble(
                "the kit plays every other node; a real one on that broker would move, or be thrown off it",
                fix="Leave out --yardwire-broker, or add --yardwire-may-move if none of them is there",
            )
        if self._program is None and self._motion and not self._spawn and not may_move:
            raise Trouble(
                "some cases move the machine, and nobody is asked here",
                fix="Add --yardwire-may-move if it may move, or --yardwire-no-motion",
            )
        if self._spawn and self._bus is not None and not may_move:
            raise Trouble(
                f"{self.node} is simulated on {self._bus.name}; a real one there would move, or be thrown off it",
                fix="Leave out --yardwire-broker, or add --yardwire-may-move if it is not there",
            )
        if self._slow < 1:
            raise Trouble("--yardwire-slow stretches limits: it is 1 or more")
        line = config.getoption("yardwire_reset_command")
        if line is not None and self._program is not None:
            raise Trouble("a supervisor is restarted for each case: it takes no --yardwire-reset-command")
        self._cycle = None if line is None else command(line)
        address, _, port = config.getoption("yardwire_bind").rpartition(":")
        if not address or not port.isdecimal():
            raise Trouble("--yardwire-bind is ADDRESS:PORT", fix="For example 192.168.7.1:1883")
        self._bind = address, int(port)
        if config.getoption("numprocesses", None) or hasattr(config, "workerinput"):
            raise Trouble("one node cannot be judged by several processes at once", fix="Leave out -n")

    def _program_of(self, line: str | None) -> tuple[str, ...] | None:
        """The words that start a supervisor; None for any other node."""
        if not self._site.nodes[self.node].is_supervisor:
            if line is not None:
                raise Trouble("--yardwire-program starts a supervisor", where=str(self.site_path))
            return None
        if line is not None:
            return words_of(line)
        if self._spawn:
            return reference_program(self.site_path, self.node)
        raise Trouble(
            f"{self.node!r} is a supervisor, and every case restarts it",
            fix="Name the command that starts it with --yardwire-program",
        )

    # ---- collecting

    @pytest.hookimpl(tryfirst=True)
    def pytest_collection_modifyitems(self, session: pytest.Session, items: list[pytest.Item]) -> None:
        """Add the cases behind the tests of the user, first of all hooks, so that -k chooses among them."""
        cases = Cases.from_parent(session, name=f"yardwire[{self.node}]", nodeid=f"yardwire[{self.node}]")
        cases.kit = self
        report = session.ihook.pytest_make_collect_report(collector=cases)
        session.ihook.pytest_collectreport(report=report)
        items.extend(report.result)

    def cases(self) -> list[Case]:
        """The cases for the node's roles, in the order of the runner."""
        roles = set(self._site.nodes[self.node].roles)
        return [case for case in order(list(all_cases().values()), roles) if roles & set(case.roles)]

    # ---- running

    def result(self, case: Case, session: pytest.Session) -> Result:
        """The result of a case; runs what comes before it and has not been run. Raises Trouble."""
        if self._run is None:
            try:
                self._run = self._start([item.name for item in session.items if isinstance(item, CaseItem)])
            except Trouble as trouble:
                self._trouble = self._trouble or trouble
                raise self._trouble from None
            self._steps = self._run.steps()
        while case.id not in self._run.results:
            if next(self._steps, None) is None:
                raise Trouble("the run ended before it came to this case")
        return self._run.results[case.id]

    def _start(self, only: list[str]) -> Run:
        if self._trouble is not None:
            raise self._trouble
        enter = self._open.enter_context
        if has_password(self._config.getoption("yardwire_broker") or ""):
            self._tell(SEEN.replace("--password", "--yardwire-password"))
        broker = enter(start_broker(at=self._bus))
        address = broker.address
        host, port = self._bind
        tap = enter(
            Tap(
                broker.host,
                broker.port,
                bind=host,
                port=port,
                tls=address.tls_context(),
                open_to_network=not host.startswith("127."),
                node=NodeSignature(self._site.name, self.node, self._site.nodes[self.node].is_supervisor),
            )
        )
        self._tell(f"Let {self.node} connect to {tap.host}, port {tap.port} (behind it: {broker.name})")
        selection = Selection(tuple(only), self._motion)
        if self._program is not None:
            stage = supervisor_fixture(
                tap, address, self._site, self.node,
                program=self._program, tell=self._tell, seed=SEED, slow=self._slow,
            )  # fmt: skip
            return Run(enter(stage), selection)
        spawned = spawned_node(tap, self.site_path, self.node, address) if self._spawn else nullcontext(None)
        program = enter(spawned)
        restart = program or (Reset(tap, self._cycle) if self._cycle else None)
        ended = program.failure if program is not None else str
        bench = enter(WireBench(tap, address, restart, ended=ended))
        wait_for_node(tap, self.node, seldom(self._tell), slow=self._slow, failure=ended)
        self._tap = tap
        fixture = Fixture(bench, self._site, self.node, Random(SEED), self._slow)
        require_asked_for(fixture)
        return Run(fixture, selection)

    def _tell(self, line: str) -> None:
        terminal: Any = self._config.pluginmanager.get_plugin("terminalreporter")
        if terminal is not None:
            terminal.ensure_newline()
            terminal.write_line(line)

    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """End what was started, also after Ctrl-C; a run that is not complete leaves the node held.

        Where no case came to a verdict the session has not passed.
        """
        if self._tap is not None:
            for note in self._tap.others():
                self._tell(f"note: {note}")
        run = self._run
        moves = run is not None and self._motion and self._program is None
        if run is not None and moves and (not run.complete or is_at_work(run.fixture)):
            self._tell(f"{hold(run.fixture)} {KEEP_CLEAR.format(it='the machine')}")
        self._open.close()
        asked = [item for item in session.items if isinstance(item, CaseItem)]
        collected_only = self._config.option.collectonly
        if asked and not self.judged and not collected_only and session.exitstatus == pytest.ExitCode.OK:
            self._tell(f"no case was judged of {self.node}: nothing is shown")
            session.exitstatus = pytest.ExitCode.TESTS_FAILED


class Cases(pytest.Collector):
    """All cases for the node."""

    kit: Kit

    def collect(self) -> list[pytest.Item]:
        """One item for each case."""
        return [CaseItem.of(self, case) for case in self.kit.cases()]


class CaseItem(pytest.Item):
    """One case."""

    case: Case
    _result: Result

    @classmethod
    def of(cls, parent: Cases, case: Case) -> CaseItem:
        """The item for `case`; its requirements go into JUnit reports."""
        item: CaseItem = cls.from_parent(parent, name=case.id)
        item.case = case
        item.user_properties.append(("yardwire_requirements", " ".join(case.requirements)))
        return item

    def setup(self) -> None:
        """Have the case judged. What is not the node's fault ends here: pytest then calls it an error."""
        assert isinstance(self.parent, Cases)
        try:
            result = self.parent.kit.result(self.case, self.session)
        except Trouble as trouble:
            pytest.fail(str(trouble), pytrace=False)
        if result.verdict is Verdict.NONE:
            pytest.skip(result.reason)
        self.parent.kit.judged += 1
        if result.verdict is Verdict.ERROR:
            pytest.fail(_told(result), pytrace=False)
        for warning in case_document(result)["warnings"]:
            text = "\n".join(as_text.evidence_lines(warning))
            self.add_report_section("call", "a SHOULD is broken", text)
        self._result = result

    def runtest(self) -> None:
        """Fail where the case did not pass."""
        if self._result.verdict is not Verdict.PASS:
            raise NotConformant(_told(self._result))

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """What the kit says, without the kit's own frames."""
        if isinstance(excinfo.value, NotConformant):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """How the head of a failure names it."""
        assert isinstance(self.parent, Cases)
        return self.parent.kit.site_path, None, f"{self.parent.name} {self.name}"


def _bus(config: pytest.Config) -> Address | None:
    """The broker that was named, and how to be let in; None where the kit starts one. Raises Trouble."""

    def path(option: str) -> Path | None:
        named: str | None = config.getoption(option)
        return None if named is None else Path(named)

    login = Login(
        path("yardwire_ca"),
        path("yardwire_cert"),
        path("yardwire_key"),
        config.getoption("yardwire_user"),
        path("yardwire_password_file"),
    )
    url: str | None = config.getoption("yardwire_broker")
    if url is not None:
        return address_of(url, login, os.environ)
    if not login.is_empty:
        raise Trouble("login options were given without a broker", fix="Add --yardwire-broker")
    return None


def _told(result: Result) -> str:
    return "\n".join(as_text.block(case_document(result)))
