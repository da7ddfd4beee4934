"""The guide 'Who may connect', followed word by word: a broker is started on what its commands have made.

Three things are not as on the page: /etc/mosquitto is a folder of the test, nobody is root, and the test starts the
broker in systemd's place.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from conformance.bench.connection.login import VARIABLES, without_login
from conformance.commands.options.settings import SITE
from conformance.publish.artefacts.access import LISTENERS
from conformance.publish.artefacts.broker_configuration import FOLDER
from conformance.publish.site import sources
from protocol.site_file import scenario_text
from tests.docs.test_documents import blocks
from tests.needs import needs
from tests.publish.guarded import running

pytestmark = [needs("mosquitto"), needs("mosquitto_passwd"), needs("openssl")]
GUIDE = sources.home() / "docs" / "guides" / "who-may-connect.md"
PATIENCE_S = 60


@dataclass(frozen=True, slots=True)
class Followed:
    """Where the guide was followed, and what was made there."""

    folder: Path
    etc: Path

    def run(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """A command of the kit."""
        return subprocess.run(
            [sys.executable, "-m", "conformance.commands.main", *arguments],
            cwd=self.folder, capture_output=True, text=True, timeout=PATIENCE_S, env=without_login(os.environ),
            check=False,
        )  # fmt: skip


@pytest.fixture(scope="module")
def followed(tmp_path_factory: pytest.TempPathFactory) -> Followed:
    folder, etc = tmp_path_factory.mktemp("home"), tmp_path_factory.mktemp("etc")
    (etc / "conf.d").mkdir()
    (folder / "site.toml").write_text(scenario_text())
    script = "\n".join(block.text for block in blocks(GUIDE) if block.info == "sh")
    for page, here in (
        ("/etc/mosquitto", str(etc)),
        ("sudo ", ""),
        ("-g mosquitto ", ""),
        ("systemctl ", ": "),
    ):
        assert page in script
        script = script.replace(page, here)
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["sh", "-eu", "-c", script], cwd=folder, env={**os.environ, "PATH": path}, capture_output=True, text=True,
        timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return Followed(folder, etc)


def configuration(followed: Followed) -> str:
    return (followed.etc / "conf.d" / "yardwire.conf").read_text()


def options(followed: Followed, port: int, user: str) -> list[str]:
    """As the page gives them, but for the name of the broker."""
    (line,) = (
        line
        for block in blocks(GUIDE)
        for line in block.text.replace("\\\n", " ").split("\n")
        if block.info == "console" and f"--user {user} " in line
    )
    words = line.split()
    return ["--broker", f"mqtts://localhost:{port}", *words[words.index("--broker") + 2 :]]


@pytest.fixture
def port(followed: Followed) -> Iterator[int]:
    with running(configuration(followed), followed.etc / "yardwire") as broker:
        yield broker.port


def test_the_recorder_of_the_page_gets_in(followed: Followed, port: int) -> None:
    done = followed.run(
        "record",
        "x.ywrec",
        "--site",
        "harlow-basin",
        "--seconds",
        "0.5",
        *options(followed, port, "recorder-1"),
    )
    assert "no connection" not in done.stderr
    assert done.returncode == 0, done.stderr


def test_nobody_else_does(followed: Followed, port: int) -> None:
    ca = ["--broker", f"mqtts://localhost:{port}", "--ca", "yard-access/ca.crt"]
    for wrong in (
        ca,
        [*ca, "--user", "recorder-1"],
        [*ca, "--user", "recorder-1", "--password-file", "yard-access/north.password"],
    ):
        done = followed.run("record", "y.ywrec", "--site", "harlow-basin", "--seconds", "0.5", *wrong)
        assert done.returncode == 2
        assert "does not authorise us" in done.stderr


def test_every_user_of_the_table_has_a_password_and_only_its_owner_reads_it(followed: Followed) -> None:
    made = followed.folder / "yard-access"
    users = {path.stem for path in made.glob("*.password")}
    assert users == {"north", "south", "siding", "ferry", "yard", *LISTENERS}
    secret = [*made.glob("*.password"), *made.glob("*.key"), made / "passwords"]
    assert all(path.stat().st_mode & 0o077 == 0 for path in secret)
    text = GUIDE.read_text(encoding="utf-8")
    assert all(f"`{name}`" in text for name in LISTENERS)
    hashed = (made / "passwords").read_text()
    assert all(path.read_text().strip() not in hashed for path in made.glob("*.password"))


def test_a_client_certificate_of_the_page_is_accepted(followed: Followed) -> None:
    text = configuration(followed)
    for line in ("#require_certificate true", "#use_identity_as_username true"):
        assert line in text
        text = text.replace(line, line[1:])
    with running(text, followed.etc / "yardwire") as broker:
        there = ["--broker", f"mqtts://localhost:{broker.port}", "--ca", "yard-access/ca.crt"]
        ours = ["--cert", "yard-access/recorder-1.crt", "--key", "yard-access/recorder-1.key"]
        listen = ["--site", "harlow-basin", "--seconds", "0.5", *there]
        assert followed.run("record", "with.ywrec", *listen, *ours).returncode == 0
        refused = followed.run("record", "without.ywrec", *listen)
        assert refused.returncode == 2
        assert "wants a client certificate, and none was shown" in refused.stderr


def test_certificates_pass_the_strict_checks_of_later_pythons(followed: Followed) -> None:
    """Python 3.13 sets VERIFY_X509_STRICT (RFC 5280) by default; openssl judges the same here."""
    for certificate, purpose in (("broker", "sslserver"), ("recorder-1", "sslclient")):
        done = subprocess.run(
            ["openssl", "verify", "-x509_strict", "-purpose", purpose, "-CAfile", "ca.crt", f"{certificate}.crt"],
            cwd=followed.folder / "yard-access", capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr


def test_what_the_page_says_of_variables_is_what_is_read() -> None:
    named = set(re.findall(r"YARDWIRE_[A-Z_]+", GUIDE.read_text(encoding="utf-8")))
    assert named == {*VARIABLES, SITE}
    assert FOLDER == "/etc/mosquitto/yardwire"
