"""A private certificate authority for tests, by openssl: certificates for any name and any time."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

KEY = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
_CONFIGURATION = """\
[ca]
default_ca = own
[own]
database = {folder}/index.txt
serial = {folder}/serial
new_certs_dir = {folder}
certificate = {folder}/ca.crt
private_key = {folder}/ca.key
default_md = sha256
policy = any
unique_subject = no
[any]
commonName = supplied
"""


@dataclass(frozen=True, slots=True)
class Issued:
    """A certificate and its key."""

    certificate: Path
    key: Path


class Authority:
    """A CA in a folder of its own; `ca` is its certificate."""

    def __init__(self, folder: Path, name: str = "harlow-basin CA") -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self.ca = folder / "ca.crt"
        (folder / "index.txt").touch()
        (folder / "serial").write_text("1000\n")
        (folder / "ca.conf").write_text(_CONFIGURATION.format(folder=folder))
        self._openssl(
            "req", "-x509", *KEY, "-keyout", "ca.key", "-out", "ca.crt", "-days", "3650", "-subj", f"/CN={name}",
            "-addext", "keyUsage=critical,keyCertSign,cRLSign",
        )  # fmt: skip

    def issue(self, name: str, *alternative: str, days: tuple[int, int] = (-1, 30)) -> Issued:
        """A certificate for `name` (CN) and its other names, as 'DNS:yard' or 'IP:127.0.0.1'.

        It is valid from `days[0]` to `days[1]` days after today.
        """
        made = Issued(self._folder / f"{name}.crt", self._folder / f"{name}.key")
        self._openssl("req", *KEY, "-keyout", made.key.name, "-out", f"{name}.csr", "-subj", f"/CN={name}")
        extensions = ["authorityKeyIdentifier = keyid", "subjectKeyIdentifier = hash"]
        if alternative:
            extensions.append(f"subjectAltName = {','.join(alternative)}")
        (self._folder / f"{name}.ext").write_text("\n".join(extensions) + "\n")
        start, end = (f"{datetime.now(UTC) + timedelta(days=day):%Y%m%d%H%M%SZ}" for day in days)
        self._openssl(
            "ca", "-batch", "-notext", "-config", "ca.conf", "-in", f"{name}.csr", "-out", made.certificate.name,
            "-extfile", f"{name}.ext", "-startdate", start, "-enddate", end,
        )  # fmt: skip
        return made

    def _openssl(self, *arguments: str) -> None:
        done = subprocess.run(["openssl", *arguments], cwd=self._folder, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
