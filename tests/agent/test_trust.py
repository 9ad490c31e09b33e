"""Over real TLS: whom the agent trusts, and what it says when it does not."""

from datetime import timedelta

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
