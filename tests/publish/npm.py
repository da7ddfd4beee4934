"""Programs from the npm registry that judge what is published, installed once outside the tree."""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import subprocess
from pathlib import Path

VERSIONS = {"@asyncapi/parser": "3.6.6", "html-validate": "10.17.0", "axe-core": "4.14.1"}
"""Exact, so that a new release of a judge is looked at before it judges."""


def installed() -> Path:
    """The folder with node_modules/ of all of them, installed at the first call."""
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "yardwire-tests"
    stamp = json.dumps(VERSIONS, sort_keys=True)
    folder = cache / "npm"
    folder.mkdir(parents=True, exist_ok=True)
    with (cache / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # Several workers of one test run come here at once.
        done = folder / "done.json"
        if not done.is_file() or done.read_text(encoding="utf-8") != stamp:
            npm = shutil.which("npm")
            assert npm is not None
            wanted = [f"{name}@{version}" for name, version in VERSIONS.items()]
            command = [npm, "install", "--no-audit", "--no-fund", "--ignore-scripts", *wanted]
            subprocess.run(command, cwd=folder, check=True, timeout=240)
            done.write_text(stamp, encoding="utf-8")
    return folder
