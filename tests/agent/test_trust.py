"""Over real TLS: whom the agent trusts, and what it says when it does not."""

import select
import socket
import threading
from contextlib import contextmanager
from datetime import timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from flashworthy_agent.errors import ServerUnavailableError
from flashworthy_agent.transport import Server
from support.authority import Authority
from support.servers import serving


@pytest.fixture(scope="module")
def authority(tmp_path_factory):
    return Authority(tmp_path_factory.mktemp("trust") / "authority")


@pytest.fixture(scope="module")
def other_authority(tmp_path_factory):
    return Authority(tmp_path_factory.mktemp("trust") / "other", "Other Authority")


def ask(site, **trust):
    site.verdict = {"outcome": "hold"}
    return Server(site.address, "secret", **trust).verdict("7", "spot")


def test_a_pinned_authority_is_trusted(authority):
    with serving(certificate=authority.vouch()) as site:
        assert ask(site, ca_file=str(authority.file)) == {"outcome": "hold"}


def test_a_pinned_authority_is_the_only_one(authority, other_authority, monkeypatch):
    monkeypatch.setenv("REQUESTS_CA_BUNDLE", str(authority.file))
    with serving(certificate=authority.vouch()) as site:
        with pytest.raises(ServerUnavailableError, match=r"(?i)certificate.verify.failed"):
            ask(site, ca_file=str(other_authority.file))

        assert site.requests == []


@pytest.mark.parametrize(
    ("times", "words"),
    [
        ({"ends": timedelta(days=-1)}, "certificate has expired"),
        # what a machine whose clock is a day behind sees
        ({"starts": timedelta(days=1)}, "certificate is not yet valid"),
    ],
)
def test_a_certificate_out_of_its_time_is_refused_in_words(authority, times, words):
    with (
        serving(certificate=authority.vouch(**times)) as site,
        pytest.raises(ServerUnavailableError, match=words),
    ):
        ask(site, ca_file=str(authority.file))


def test_a_certificate_for_another_name_is_refused(authority):
    certificate = authority.vouch("DNS:elsewhere.example")
    with serving(certificate=certificate) as site, pytest.raises(ServerUnavailableError) as refused:
        ask(site, ca_file=str(authority.file))

    assert "mismatch" in str(refused.value)


def test_without_a_pinned_authority_the_systems_count(authority, monkeypatch):
    for name in ("REQUESTS_CA_BUNDLE", "CURL_CA_BUNDLE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("SSL_CERT_FILE", str(authority.file))  # where the TLS library looks
    with serving(certificate=authority.vouch()) as site:
        assert ask(site) == {"outcome": "hold"}


# ---- the way there ----------------------------------------------------------------------------


@contextmanager
def tunnelling():
    """A proxy that opens tunnels (RFC 9110 §9.3.6), and the targets that it was asked for."""
    asked = []

    class Handler(BaseHTTPRequestHandler):
        def do_CONNECT(self):
            asked.append(self.path)
            host, _, port = self.path.partition(":")
            self.send_response(200)
            self.end_headers()
            with socket.create_connection((host, int(port))) as target:
                self._pass_on(target)

        def _pass_on(self, target):
            ends = {self.connection: target, target: self.connection}
            while True:
                for ready in select.select(list(ends), [], [], 5)[0]:
                    piece = ready.recv(1 << 16)
                    if not piece:
                        return
                    ends[ready].sendall(piece)

        def log_message(self, *_):
            pass

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as listening:
        thread = threading.Thread(target=listening.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        yield f"http://127.0.0.1:{listening.server_port}", asked
        listening.shutdown()
        thread.join()


@pytest.mark.parametrize("source", ["settings", "environment"])
def test_a_proxy_only_opens_a_tunnel(authority, source, monkeypatch):
    for name in ("no_proxy", "NO_PROXY"):
        monkeypatch.delenv(name, raising=False)
    with tunnelling() as (proxy, asked), serving(certificate=authority.vouch()) as site:
        if source == "environment":
            monkeypatch.setenv("https_proxy", proxy)
        named = proxy if source == "settings" else None

        answer = ask(site, ca_file=str(authority.file), proxy=named)

        assert answer == {"outcome": "hold"}
        assert asked == [site.address.removeprefix("https://")]


def test_a_proxy_of_the_settings_outranks_that_of_the_environment(authority, monkeypatch):
    monkeypatch.setenv("https_proxy", "http://127.0.0.1:9")
    with tunnelling() as (proxy, asked), serving(certificate=authority.vouch()) as site:
        ask(site, ca_file=str(authority.file), proxy=proxy)

        assert len(asked) == 1
