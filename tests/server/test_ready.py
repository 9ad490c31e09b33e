"""/healthz says whether the process lives, /readyz whether requests should be sent to it."""

import resource
import signal
from pathlib import Path

import pytest

from flashworthy_server import schema
from support.site import a_sent_report


def ready(site):
    response = site.client.get("/readyz")
    return response.status_code, response.json.get("because", [])


def test_a_site_whose_parts_all_work_is_ready(site):
    assert site.client.get("/readyz").json == {"status": "ready"}


def test_a_database_of_another_version_is_not_ready_but_alive(site):
    with site.site.database.writing() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")

    assert ready(site) == (
        503,
        ["the database is not there, does not answer or is of another version"],
    )
    assert site.client.get("/readyz").headers["Retry-After"] == "5"
    assert site.client.get("/healthz").status_code == 200


@pytest.mark.sqlite
def test_a_database_that_is_gone_is_not_ready(site):
    site.site.database.file.unlink()

    status, because = ready(site)

    assert status == 503
    assert because[0].startswith("the database is not there")


@pytest.fixture
def no_room():
    """No file may grow beyond what a new one has: the system refuses as on a full disk."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)

    def set_in():
        resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, before[1]))

    yield set_in
    resource.setrlimit(resource.RLIMIT_FSIZE, before)
    signal.signal(signal.SIGXFSZ, ignored)


@pytest.mark.sqlite
def test_a_disk_that_cannot_be_written_is_not_ready_and_nothing_is_acknowledged(site, no_room):
    token = site.enrol()
    folder = Path(site.site.database.file).parent
    no_room()

    refused = site.send(token, a_sent_report())

    assert refused.status_code in (503, 507)
    assert "disk that holds the database" in refused.json["detail"]
    assert ready(site) == (503, ["the disk of the database cannot be written: File too large"])
    assert not list(folder.glob("*-tried-*"))


def test_a_full_intake_is_not_ready(site):
    site.settle(waiting_reports=0)

    assert ready(site) == (503, ["more reports wait than are taken"])
    refused = site.send(site.enrol(), a_sent_report())
    assert refused.status_code == 503
    assert refused.headers["Retry-After"] == "5"
    assert refused.content_type == "application/problem+json"


def test_the_version_that_is_asked_for_is_that_of_the_last_migration():
    from alembic.script import ScriptDirectory

    assert ScriptDirectory.from_config(schema._settings()).get_current_head() == schema.VERSION
