"""PEM files for TLS on our side: whom to trust, and a certificate of our own with its key."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from conformance.files.bounded import read_bounded
from protocol.trouble import Trouble

if TYPE_CHECKING:
    import ssl

MOST_BYTES = 4 << 20
"""Bytes of a PEM file; the certificates of every CA that a system trusts have a twentieth of it."""
CERTIFICATE = "-----BEGIN CERTIFICATE-----"


@dataclass(frozen=True, slots=True)
class TlsFiles:
    """`ca` None trusts as the system does; `key` None looks for the key in the file of the certificate."""

    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None

    def context(self) -> ssl.SSLContext:
        """What a client needs that shows and trusts these. Raises Trouble that names the file which cannot be used."""
        import ssl

        if self.key is not None and self.certificate is None:
            raise Trouble("a key comes with its certificate", where=str(self.key), fix="Name both")
        if self.ca is not None:
            _require_certificate(self.ca, "the CA's certificate")
        try:
            context = ssl.create_default_context(cafile=self.ca)
        except OSError as error:  # ssl.SSLError among them
            raise Trouble(
                f"the CA's certificate cannot be used ({_reason(error)})",
                where=str(self.ca),
                fix="Name the PEM file with the certificate of the CA that signed the broker's",
            ) from None
        if self.certificate is not None:
            _load(context, self.certificate, self.key or self.certificate)
        return context


def require_private(path: Path, what: str) -> None:
    """Refuse a secret that others can read, as ssh does. Raises Trouble, OSError.

    Of a file of somebody else's (a service's, a mounted secret) its owner may let a group read it.
    """
    found = path.stat()
    too_open = 0o077 if found.st_uid == os.getuid() else 0o007
    if found.st_mode & too_open:
        mode = stat.S_IMODE(found.st_mode)
        raise Trouble(
            f"{what} can be read by others (mode {mode:04o}), so it is not used",
            where=str(path),
            fix=f"chmod 600 {path}",
        )


def _load(context: ssl.SSLContext, certificate: Path, key: Path) -> None:
    import ssl

    _require_certificate(certificate, "the client certificate")
    text = _text(key, "the key")
    if "PRIVATE KEY-----" not in text:
        fix = "Name the PEM file that holds it with --key"
        raise Trouble("there is no private key in this file", where=str(key), fix=fix)
    require_private(key, "the private key")

    def ask_nobody() -> NoReturn:
        fix = f"Keep it without one, readable by you alone: openssl pkey -in {key} -out new.key"
        raise Trouble("the private key is protected by a pass phrase", where=str(key), fix=fix)

    try:
        context.load_cert_chain(certificate, key, ask_nobody)
    except ssl.SSLError as error:
        if error.reason == "KEY_VALUES_MISMATCH":
            raise Trouble(
                "the key does not belong to the certificate",
                where=str(key),
                fix=f"Name the key that {certificate} was made with",
            ) from None
        raise Trouble(
            f"certificate and key cannot be used ({_reason(error)})",
            where=f"{certificate}, {key}",
            fix="Name PEM files of a certificate and its key",
        ) from None


def _require_certificate(path: Path, what: str) -> None:
    if CERTIFICATE in _text(path, what):
        return
    fix = f"Name a PEM file; one in DER is turned into PEM by: openssl x509 -inform der -in {path} -out {path}.pem"
    raise Trouble(f"{what} is not a PEM file: it has no line '{CERTIFICATE}'", where=str(path), fix=fix)


def _text(path: Path, what: str) -> str:
    try:
        content = read_bounded(path, MOST_BYTES + 1)
    except OSError as error:
        raise Trouble(
            f"{what} cannot be read: {error.strerror}", where=str(path), fix="Check its name and its rights"
        ) from None
    if len(content) > MOST_BYTES:
        told = f"{what} is longer than {MOST_BYTES:,} bytes"
        raise Trouble(told, where=str(path), fix="Name the PEM file that holds it")
    return content.decode("ascii", "replace")


def _reason(error: OSError) -> str:
    reason = getattr(error, "reason", None)
    return reason.lower().replace("_", " ") if reason else str(error.strerror or error)
