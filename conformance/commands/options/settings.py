"""Where site file and broker are named once: variables of the environment, and one small file in TOML.

An option goes before its variable, and a variable before the file.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import quote

from conformance.bench.connection.login import (
    BROKER,
    CA,
    CERT,
    KEY,
    PASSWORD,
    PASSWORD_FILE,
    USER,
)
from protocol.trouble import Trouble

SITE, PAGES, CONFIG = "YARDWIRE_SITE", "YARDWIRE_PAGES", "YARDWIRE_CONFIG"
KEYS = {
    "site": SITE, "broker": BROKER, "ca": CA, "cert": CERT, "key": KEY, "user": USER, "password_file": PASSWORD_FILE,
    "password": PASSWORD, "pages": PAGES,
}  # fmt: skip
"""Keys of the file, and the variable that each stands for."""
LOGIN = (CA, CERT, KEY, USER, PASSWORD_FILE, PASSWORD)
FILES = (SITE, CA, CERT, KEY, PASSWORD_FILE)
"""Names of files: those in the configuration file are seen from its folder."""
MOST_BYTES = 65_536


def config_path() -> Path | None:
    """Where the file is looked for: YARDWIRE_CONFIG ('' for nowhere), else where this system keeps such files."""
    named = os.environ.get(CONFIG)
    if named is not None:
        return Path(named) if named else None
    from platformdirs import user_config_path

    return user_config_path("yardwire", appauthor=False) / "config.toml"


def environment() -> Mapping[str, str]:
    """The variables, filled up from the file; of a way in `login_environment` tells. Raises Trouble."""
    return os.environ | {name: value for name, value in _in_file().items() if not os.environ.get(name)}


def login_environment(url: str, *, named: bool) -> Mapping[str, str]:
    """The way in to the broker at `url` that variables name, else the file.

    The way in of the file belongs to the broker that the file names, and is shown to no other one; and it is not mixed
    with one that variables or, where `named`, options give. Raises Trouble.
    """
    said = _in_file()
    if named or url != said.get(BROKER) or any(os.environ.get(name) for name in LOGIN):
        return os.environ
    return {name: said[name] for name in LOGIN if name in said}


def setting(name: str) -> str | None:
    """What a variable, or else the file, says. Raises Trouble."""
    return environment().get(name) or None


def pages() -> str:
    """Where 'yardwire publish' has written the pages, as a URI without the last '/'; '' where nobody has said."""
    said = setting(PAGES)
    if not said:
        return ""
    if said.startswith(("https://", "http://", "file://")):
        return quote(said.rstrip("/"), safe=":/?&=%#@~+,")
    return Path(said).absolute().as_uri().rstrip("/")


def _in_file() -> Mapping[str, str]:
    path = config_path()
    if path is None:
        return {}
    try:
        found = path.stat()
    except OSError as error:
        if os.environ.get(CONFIG):
            what = f"the configuration file cannot be read: {error.strerror}"
            raise Trouble(what, where=str(path), fix=f"Correct {CONFIG}, or unset it") from None
        return {}
    return read_config(path, found.st_mtime_ns)


@cache
def read_config(path: Path, _changed: int = 0) -> Mapping[str, str]:
    """What one file says, by the variable that each key stands for. Raises Trouble."""
    where = str(path)
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
        data = tomllib.loads(content[:MOST_BYTES].decode("utf-8"))
    except OSError as error:
        raise Trouble(f"cannot be read: {error.strerror}", where=where, fix="Check its rights") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise Trouble(
            f"not TOML: {error}", where=where, fix='Write lines such as site = "site.toml"'
        ) from None
    if len(content) > MOST_BYTES:
        raise Trouble(f"longer than {MOST_BYTES:,} bytes", where=where, fix="Name the right file")
    said = dict(_checked(data, where))
    if PASSWORD in said:
        from conformance.bench.connection.tls_files import require_private

        require_private(path, "a configuration file with a password in it")
    if PASSWORD in said and PASSWORD_FILE in said:
        raise Trouble("there are two passwords, password and password_file", where=where, fix="Keep one")
    if BROKER not in said and (
        way_in := [key for key, name in KEYS.items() if name in LOGIN and name in said]
    ):
        fix = 'Name the broker that it is for: broker = "mqtts://HOST"'
        raise Trouble(f"it says {way_in[0]}, but no broker", where=where, fix=fix)
    return {name: str(path.parent / value) if name in FILES else value for name, value in said.items()}


def _checked(data: Mapping[str, Any], where: str) -> list[tuple[str, str]]:
    from difflib import get_close_matches

    for key, value in data.items():
        if key not in KEYS:
            near = get_close_matches(key, KEYS, 1)
            hint = f'Did you mean "{near[0]}"?' if near else f"The keys are {', '.join(KEYS)}"
            raise Trouble(f'unknown key "{key}"', where=where, fix=hint)
        if not isinstance(value, str) or not value:
            raise Trouble(f"{key}: expected a text", where=where, fix=f'Write {key} = "..."')
    if "broker" in data:
        from conformance.bench.connection.login import has_password

        if has_password(data["broker"]):
            raise Trouble(
                "broker: no password stands in an address here", where=where, fix="Use password_file instead"
            )
    return [(KEYS[key], value) for key, value in data.items()]
