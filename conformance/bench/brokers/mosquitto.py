"""A private mosquitto: its own configuration in its own directory, gone when the bench is left."""

from __future__ import annotations

import base64
import hashlib
import os
import pwd
import re
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from conformance.bench.connection.address import Address
from conformance.bench.connection.tls_files import TlsFiles
from conformance.bench.network import listening_trouble
from conformance.bench.processes.child import Child
from protocol.trouble import Trouble

LARGEST_PACKET = 65_536
"""Bytes: room for any message of the protocol many times over, and a bound to what a fault can send."""
START_TIMEOUT = 10.0
PLACES = ("/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin")
"""Where mosquitto hides when `sbin` is not in a user's PATH."""


@dataclass(frozen=True, slots=True)
class ServerTls:
    """PEM files a broker shows: its certificate and key, and the CA that clients check it against.

    With `client_certificates` it lets in only clients with a certificate of that CA.
    """

    ca: Path
    certificate: Path
    key: Path
    client_certificates: bool = False


def find_mosquitto() -> str | None:
    """The mosquitto program on this machine, or None."""
    return shutil.which("mosquitto", path=os.pathsep.join((os.environ.get("PATH", ""), *PLACES)))


class Mosquitto:
    """Starts mosquitto on entering and ends it on leaving. Raises Trouble."""

    def __init__(
        self,
        program: str,
        bind: str = "127.0.0.1",
        port: int = 0,
        *,
        users: Mapping[str, str] | None = None,
        tls: ServerTls | None = None,
    ) -> None:
        """`port` 0 takes a free one; `users` (name to password) None lets anyone in."""
        self._program = program
        self._users = users
        self._tls = tls
        self._wanted_port = port
        self._directory: Path | None = None
        self._process: Child | None = None
        self.host = bind
        self.port = port
        self.name = f"mosquitto {_version(program)}"

    @property
    def address(self) -> Address:
        """Where it listens; credentials are those of its first user."""
        user, password = next(iter(self._users.items())) if self._users else (None, None)
        files = None if self._tls is None else TlsFiles(ca=self._tls.ca)
        return Address(self.host, self.port, user, password, files)

    @property
    def url(self) -> str:
        """The URL with the first user's credentials."""
        return self.address.url

    @property
    def process_id(self) -> int | None:
        """The process, while it runs."""
        return None if self._process is None else self._process.process_id

    def __enter__(self) -> Self:
        try:
            self._directory = Path(tempfile.mkdtemp(prefix="yardwire-mosquitto-"))
            # A port found free may be taken by somebody else before mosquitto opens it: try another.
            for _ in range(1 if self._wanted_port else 5):
                self.port = self._wanted_port or _free_port(self.host)
                if self._start():
                    return self
            raise self._not_started()
        except BaseException:
            self._stop()
            raise

    def __exit__(self, *_: object) -> None:
        self._stop()

    def _start(self) -> bool:
        """Start it and wait until it takes connections; False when it ended instead."""
        assert self._directory is not None
        if self._wanted_port:
            _require_free(self.host, self.port)
        configuration = self._directory / "mosquitto.conf"
        configuration.write_text("\n".join(self._configuration()) + "\n", encoding="utf-8")
        log = self._directory / "log"
        with log.open("wb") as output:
            words = [self._program, "-c", str(configuration)]
            try:
                self._process = Child(words, stdout=output, stderr=output, folder=self._directory)
            except OSError as error:
                raise Trouble(f"mosquitto cannot be run: {error.strerror}", where=self._program) from error
        if self._takes_connections(self._process):
            return True
        self._process.end()
        return False

    def _takes_connections(self, process: Child) -> bool:
        for _ in range(int(START_TIMEOUT / 0.01)):
            try:
                socket.create_connection((self.host, self.port), START_TIMEOUT).close()
            except OSError:
                try:
                    process.wait(0.01)
                except subprocess.TimeoutExpired:
                    continue
                return False
            return process.poll() is None
        return False

    def _configuration(self) -> list[str]:
        assert self._directory is not None
        lines = [
            f"listener {self.port} {self.host}",
            # Nothing is dropped for a slow subscriber, which mosquitto does silently by default.
            "max_queued_messages 0",
            "max_inflight_messages 0",
            # Without it an order and its answer take 44 ms instead of a third of one.
            "set_tcp_nodelay true",
            f"max_packet_size {LARGEST_PACKET}",
            "persistence false",
            "log_dest stderr",
            "log_type error",
            "log_type warning",
            f"allow_anonymous {'false' if self._users is not None else 'true'}",
        ]
        if os.getuid() == 0:
            # Else it would change to a user of its own that cannot read this directory.
            lines.append(f"user {pwd.getpwuid(0).pw_name}")
        if self._users is not None:
            lines.append(f"password_file {self._password_file(self._users)}")
        if self._tls is not None:
            lines += [
                f"cafile {self._tls.ca}",
                f"certfile {self._tls.certificate}",
                f"keyfile {self._tls.key}",
                f"require_certificate {'true' if self._tls.client_certificates else 'false'}",
            ]
        return lines

    def _password_file(self, users: Mapping[str, str]) -> Path:
        assert self._directory is not None
        if any(":" in user or "\n" in user for user in users):
            raise Trouble("a user name for mosquitto holds no colon and no line break")
        file = self._directory / "passwords"
        file.touch(mode=0o600)
        file.write_text(
            "".join(f"{user}:{_hashed(word)}\n" for user, word in users.items()), encoding="utf-8"
        )
        return file

    def _not_started(self) -> Trouble:
        assert self._directory is not None
        said = (self._directory / "log").read_text(encoding="utf-8", errors="replace").strip()
        # Each line starts with the time in seconds; the first error is the cause of those behind it.
        lines = [line.partition(": ")[2] or line for line in said.splitlines()]
        why = next((line for line in lines if "Error" in line), lines[-1] if lines else "it said nothing")
        fix = "Choose the embedded broker, or give the URL of one that runs"
        return Trouble(f"mosquitto did not start: {why}", where=f"{self.host}:{self.port}", fix=fix)

    def _stop(self) -> None:
        process, directory = self._process, self._directory
        self._process = self._directory = None
        try:
            if process is not None:
                process.end()
        finally:
            if directory is not None:
                shutil.rmtree(directory, ignore_errors=True)


def _hashed(password: str) -> str:
    """A password as mosquitto 2 keeps it: PBKDF2, SHA-512, 101 rounds; mosquitto_passwd writes the same."""
    salt = os.urandom(12)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, 101)
    return f"$7$101${base64.b64encode(salt).decode()}${base64.b64encode(digest).decode()}"


def _version(program: str) -> str:
    """Read '2.0.11' from 'mosquitto version 2.0.11', the first line of its help."""
    try:
        said = subprocess.run([program, "-h"], capture_output=True, text=True, check=False, timeout=10).stdout
    except (OSError, subprocess.TimeoutExpired) as error:
        raise Trouble(f"mosquitto cannot be run: {error}", where=program) from error
    found = re.search(r"version ([0-9][0-9.]*)", said)
    return found.group(1) if found else "of unknown version"


def _family(host: str) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in host else socket.AF_INET


def _free_port(host: str) -> int:
    with socket.socket(_family(host)) as sock:
        try:
            sock.bind((host, 0))
        except OSError as error:
            raise listening_trouble(host, 0, error) from error
        port: int = sock.getsockname()[1]
        return port


def _require_free(host: str, port: int) -> None:
    with socket.socket(_family(host)) as sock:
        # As mosquitto does: a port that was in use a moment ago may be opened again.
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            sock.bind((host, port))
        except OSError as error:
            raise listening_trouble(host, port, error) from error
