"""`mip` installs what `publish` writes, in MicroPython; and the examples run with stand-ins for a board's modules."""

from __future__ import annotations

import functools
import http.server
import json
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import resources
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.publish.firmware.micropython.package import FOLDER, PACKAGE, micropython_package
from protocol.specification import specification
from tests.faulty_lines.faulty_line import site_on_lines
from tests.micropython.interpreter import PROGRAMS, needs_micropython, started
from tests.needs import needs
from tests.serial.test_on_a_cable import Listener, on, report_on

GUIDE = Path(__file__).parents[2] / "docs" / "guides" / "board-in-micropython.md"
ROLES = {"crane": "north", "berth": "siding", "shuttle": "ferry"}
CAUTIONS = (
    "CAUTION", "CONNECT", "no emergency stop", "removes motor power", "supply of its own", "Hands out", "local codes",
    "licensed person",
)  # fmt: skip


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("published")
    firmware = resources.files("reference_node").joinpath("firmware", "micropython")
    for path, content in micropython_package(specification(), firmware, site_on_lines()).items():
        (out / path).parent.mkdir(parents=True, exist_ok=True)
        (out / path).write_bytes(content)
    return out / FOLDER


class Quiet(http.server.SimpleHTTPRequestHandler):
    def log_message(self, *_: object) -> None:
        pass


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """The folder over HTTP, as a static site has it."""
    handler = functools.partial(Quiet, directory=str(folder))
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.server_address[1]}"
        finally:
            server.shutdown()
            thread.join()


def test_the_package_lists_every_module_and_no_other(published: Path) -> None:
    package = json.loads((published / "package.json").read_text())
    assert package["version"] == f"{specification().major}.{specification().minor}.0"
    there = {path.relative_to(published).as_posix() for path in (published / PACKAGE).glob("*.py")}
    assert {target for target, _ in package["urls"]} == there
    assert all((published / source).is_file() for _, source in package["urls"])


@needs_micropython
def test_mip_installs_it_and_a_node_comes_up_from_there(published: Path, tmp_path: Path) -> None:
    lib = tmp_path / "lib"
    (tmp_path / "yw_site.py").write_bytes((published / "examples" / "berth" / "yw_site.py").read_bytes())
    with served(published) as url:
        process = started(PROGRAMS / "install.py", (f"{url}/", lib), tmp_path, package=lib)
        said, _ = process.communicate(timeout=60)
    assert b"installed" in said, said.decode()
    assert said.split()[-2:] == [b"lost", str(site_on_lines().nodes["siding"].digest).encode()], said.decode()


@needs_micropython
def test_what_the_guide_says_to_type_installs_it(published: Path, tmp_path: Path) -> None:
    """As it stands there, with the address of this server alone put in."""
    (typed,) = re.findall(r"```python\n(.*?)```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)
    lib = tmp_path / "lib"
    with served(published.parent) as url:
        typed = re.sub(r"http://[\d.:]+", url, typed).replace("mpy=False", f'mpy=False, target="{lib}"')
        (tmp_path / "typed.py").write_text(typed)
        process = started(tmp_path / "typed.py", (), tmp_path)
        said, _ = process.communicate(timeout=60)
    there = {path.name for path in (published / PACKAGE).glob("*.py")}
    assert {path.name for path in (lib / PACKAGE).glob("*.py")} == there, said.decode()


@pytest.mark.parametrize("role", ROLES)
def test_an_example_says_what_to_connect_and_what_may_hurt(role: str, published: Path) -> None:
    text = (published / "examples" / role / "main.py").read_text(encoding="utf-8")
    head = text.split('"""')[1]
    assert [word for word in CAUTIONS if word not in head] == []


@contextmanager
def example(role: str, published: Path, way: str) -> Iterator[None]:
    """The example of a role as it is published, where its `WHERE` alone is another."""
    folder = published / "examples" / role
    process = started(PROGRAMS / "example.py", (folder, way), folder, package=published)
    try:
        yield
        assert process.poll() is None
    finally:
        process.kill()
        said, _ = process.communicate()
    assert b"Traceback" not in said, said.decode()


@needs_micropython
@needs("mosquitto")
@pytest.mark.parametrize("role", ROLES)
def test_an_example_comes_up_on_a_broker_and_obeys(role: str, published: Path) -> None:
    """In service, with nothing connected: no motor power, so it has halted, and refuses to move."""
    node = ROLES[role]
    act = {"crane": {"act": "home"}, "berth": {"act": "admit"}, "shuttle": {"act": "run", "to": "quay-n"}}[
        role
    ]
    with start_broker("mosquitto") as broker:
        listener = Listener(broker)
        way = f'{{"wifi": "x", "password": "y", "broker": "127.0.0.1", "port": {broker.port}}}'
        try:
            with example(role, published, way):
                status = listener.wait(node, "node-status", lambda body: body["state"] == "on")
                boot = status["boot"]
                assert isinstance(boot, int)
                assert listener.wait(node, "node-status", on(boot, 1))
                assert (status["bench"], status["digest"]) == (False, site_on_lines().nodes[node].digest)
                fault = listener.wait(node, "fault", lambda _: True)
                assert "power-lost" in str(fault["active"])
                uptime = status["uptime"]
                assert isinstance(uptime, int)
                listener.publish(node, boot=boot, id=9, deadline=uptime + 20_000, **act)
                refused = listener.wait(node, "job-report", report_on(9, "refused"))
                assert refused["reason"] in ("mode", "state")
        finally:
            listener.close()
