"""A mosquitto that runs on the published files as they are, but for where they lie and the port."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from conformance.bench.brokers.mosquitto import Mosquitto, find_mosquitto
from conformance.publish.artefacts.broker_configuration import FOLDER


class Published(Mosquitto):
    """A private mosquitto with a configuration that was written elsewhere; `lines` have its port in them as {port}."""

    lines: str

    def _configuration(self) -> list[str]:
        own = ["persistence false", "log_dest stderr"]
        if os.getuid() == 0:
            own.append("user root")  # Else it becomes a user that cannot read the folder of a test.
        return [*own, self.lines.replace("{port}", f"{self.port} {self.host}")]


@contextmanager
def running(configuration: str, folder: Path) -> Iterator[Published]:
    """A mosquitto with the published configuration, whose files are in `folder`."""
    program = find_mosquitto()
    assert program is not None
    assert configuration.count("\nlistener 8883\n") == 1
    broker = Published(program)
    broker.lines = configuration.replace(FOLDER, str(folder)).replace("listener 8883", "listener {port}")
    with broker as started:
        yield started


def password_file(path: Path, users: Mapping[str, str]) -> None:
    """Written by mosquitto's own program."""
    path.write_text("".join(f"{user}:{word}\n" for user, word in users.items()))
    path.chmod(0o600)
    subprocess.run(["mosquitto_passwd", "-U", path], check=True, capture_output=True)
