"""How the kit comes onto a broker: from options and environment variables to one `Address`.

A password is read from a file or a variable. One in a URL works too, but whoever lists the processes sees it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from conformance.bench.connection.address import Address, parse_address
from conformance.bench.connection.tls_files import TlsFiles, require_private
from protocol.trouble import Trouble

BROKER, CA, CERT, KEY = "YARDWIRE_BROKER", "YARDWIRE_CA", "YARDWIRE_CERT", "YARDWIRE_KEY"
USER, PASSWORD, PASSWORD_FILE = "YARDWIRE_USER", "YARDWIRE_PASSWORD", "YARDWIRE_PASSWORD_FILE"
VARIABLES = (BROKER, CA, CERT, KEY, USER, PASSWORD, PASSWORD_FILE)
LONGEST = 65_535
"""Bytes of a password in MQTT 3.1.1, section 3.1.3.5."""
SEEN = (
    "note: others on this machine can read a password in a command line; put it into a file of your own "
    f"(--password-file, {PASSWORD_FILE}) or into {PASSWORD}"
)


@dataclass(frozen=True, slots=True)
class Login:
    """What was named by options; None where nothing was."""

    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None
    user: str | None = None
    password_file: Path | None = None

    @property
    def is_empty(self) -> bool:
        """Whether no option was given."""
        return self == Login()


def address_of(url: str, login: Login, environment: Mapping[str, str]) -> Address:
    """The broker at `url` and how to be let in there. An option goes before its variable. Raises Trouble.

    A user in the URL goes before the variable too; naming one both in the URL and by option is refused, and so are
    two passwords.
    """
    tls = TlsFiles(
        login.ca or _path(environment, CA),
        login.certificate or _path(environment, CERT),
        login.key or _path(environment, KEY),
    )
    address = parse_address(url, None if tls == TlsFiles() else tls)
    if address.user is not None and login.user is not None:
        raise Trouble("the user is named twice, in the URL and by --user", fix="Name it once")
    user = address.user if address.user is not None else login.user or environment.get(USER) or None
    password = _password(address.password, login.password_file, environment)
    if password is not None and not user:
        raise Trouble("there is a password, but no user", fix=f"Name the user with --user or {USER}")
    return Address(address.host, address.port, user or None, password, address.tls)


def has_password(url: str) -> bool:
    """Whether a URL carries a password."""
    try:
        return urlsplit(url).password is not None
    except ValueError:
        return "@" in url


def without_login(environment: Mapping[str, str]) -> dict[str, str]:
    """An environment in which no variable of the kit names a broker or a way in."""
    return {name: value for name, value in environment.items() if name not in VARIABLES}


def handed_on(environment: Mapping[str, str], address: Address | None) -> dict[str, str]:
    """The environment of a child that reaches the broker through a tap: the login, and no TLS, which the tap speaks.

    Only the owner of a process can read its environment; everybody can read its command line.
    """
    handed = without_login(environment)
    if address is not None and address.user is not None:
        handed[USER] = address.user
        if address.password is not None:
            handed[PASSWORD] = address.password
    return handed


def _path(environment: Mapping[str, str], name: str) -> Path | None:
    return Path(environment[name]) if environment.get(name) else None


def _password(in_url: str | None, file: Path | None, environment: Mapping[str, str]) -> str | None:
    """An option goes before the variables. Raises Trouble where two of equal rank are given."""
    if in_url is not None:
        if file is not None:
            raise Trouble("there are two passwords, in the URL and by --password-file", fix="Give one")
        return in_url
    if file is not None:
        return read_password(file)
    word, named = environment.get(PASSWORD), _path(environment, PASSWORD_FILE)
    if word and named is not None:
        raise Trouble(f"there are two passwords, by {PASSWORD} and by {PASSWORD_FILE}", fix="Unset one")
    return read_password(named) if named is not None else word or None


def read_password(path: Path) -> str:
    """The one line of a password file that only its owner can read. Raises Trouble; no text holds the password."""
    where = str(path)
    try:
        require_private(path, "the password file")
        with path.open("rb") as file:
            raw = file.read(LONGEST + 3)
    except OSError as error:
        fix = "Check its name and its rights"
        raise Trouble(f"the password file cannot be read: {error.strerror}", where=where, fix=fix) from None
    lines = raw.splitlines()
    if len(lines) != 1 or not lines[0]:
        raise Trouble(
            "a password file holds the password on its first line, and nothing else",
            where=where,
            fix="Rewrite it with one line",
        )
    if len(lines[0]) > LONGEST:
        raise Trouble(f"a password has at most {LONGEST} bytes", where=where)
    try:
        return lines[0].decode()
    except UnicodeDecodeError:
        raise Trouble("the password is not in UTF-8", where=where, fix="Write the file in UTF-8") from None
