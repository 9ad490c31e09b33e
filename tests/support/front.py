"""A real nginx before a server on loopback, as `deploy/nginx/flashworthy.conf` says."""

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from support.authority import Authority
from support.servers import free_port

NAME = "flashworthy.test"  # RFC 6761 §6.2
_SITE = Path(__file__).parents[2] / "deploy/nginx/flashworthy.conf"


@contextmanager
def tls_before(server_port: int, folder: Path, authority: Authority) -> Iterator[str]:
    """The address (https, of `NAME`) under which the server is reached until the block ends."""
    port, certificate = free_port(), authority.vouch(f"DNS:{NAME}")
    site = _SITE.read_text()
    for ours, here in (
        ("listen 443 ssl", f"listen 127.0.0.1:{port} ssl"),
        ("flashworthy.example", NAME),
        ("/etc/ssl/flashworthy/server.pem", str(certificate)),
        ("/etc/ssl/flashworthy/server-key.pem", str(certificate)),
        ("127.0.0.1:8470", f"127.0.0.1:{server_port}"),
    ):
        assert site.count(ours) >= 1, ours
        site = site.replace(ours, here)
    (folder / "site.conf").write_text(site)
    (folder / "nginx.conf").write_text(
        f"daemon off; pid {folder}/nginx.pid; error_log {folder}/nginx.log;\n"
        f"events {{}}\nhttp {{ access_log {folder}/access.log; include {folder}/site.conf; }}\n"
    )
    process = subprocess.Popen(["nginx", "-c", folder / "nginx.conf", "-e", folder / "nginx.log"])
    try:
        yield f"https://{NAME}:{port}"
    finally:
        process.terminate()
        process.wait(timeout=20)
