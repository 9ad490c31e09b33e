"""A certificate authority of a test's own, by the openssl program."""

import shutil
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

_CONFIG = """
[ca]
default_ca = this
[this]
database = {folder}/index
new_certs_dir = {folder}
rand_serial = yes
default_md = sha256
policy = any
unique_subject = no
[any]
commonName = supplied
[req]
distinguished_name = name
[name]
[authority]
basicConstraints = critical, CA:true
keyUsage = critical, keyCertSign
"""
_NEW_KEY = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]


class Authority:
    """Vouches for servers on this machine; `file` is what an agent pins."""

    def __init__(self, folder: Path, name: str = "Test Authority") -> None:
        if shutil.which("openssl") is None:
            pytest.skip("openssl is not here")
        folder.mkdir(parents=True)
        self._folder = folder
        self._config = folder / "openssl.cnf"
        self._config.write_text(_CONFIG.format(folder=folder))
        (folder / "index").write_text("")
        self.file = folder / "authority.pem"
        self._openssl(
            *("req", "-x509", *_NEW_KEY, "-days", "30", "-subj", f"/CN={name}"),
            *("-extensions", "authority", "-keyout", folder / "key.pem", "-out", self.file),
        )

    def vouch(
        self,
        names: str = "IP:127.0.0.1,DNS:localhost",
        *,
        starts: timedelta = timedelta(days=-2),
        ends: timedelta = timedelta(days=2),
    ) -> Path:
        """A PEM file of a new key and its certificate.

        Args:
            names: the subject alternative names.
            starts, ends: of its validity, from now.
        """
        number = len(list(self._folder.glob("server-*.pem")))
        made, request = self._folder / f"server-{number}.pem", self._folder / "request.pem"
        extensions = self._folder / "extensions"
        extensions.write_text(f"subjectAltName={names}\n")
        key = self._folder / "server-key.pem"
        self._openssl(
            "req", "-new", *_NEW_KEY, "-subj", "/CN=server", "-keyout", key, "-out", request
        )
        self._openssl(
            *("ca", "-batch", "-notext", "-in", request, "-out", self._folder / "certificate.pem"),
            *("-cert", self.file, "-keyfile", self._folder / "key.pem", "-extfile", extensions),
            *("-startdate", _when(starts), "-enddate", _when(ends)),
        )
        made.write_bytes(key.read_bytes() + (self._folder / "certificate.pem").read_bytes())
        return made

    def _openssl(self, command: str, *arguments: str | Path) -> None:
        subprocess.run(
            ["openssl", command, "-config", self._config, *arguments],
            check=True,
            capture_output=True,
        )


def _when(delta: timedelta) -> str:
    return (datetime.now(UTC) + delta).strftime("%Y%m%d%H%M%SZ")
