"""The history of reports: small where little changed, and byte for byte what came."""

import json
import zlib
from datetime import UTC, datetime

import pytest
from sqlalchemy import select

from flashworthy_server.store import history
from flashworthy_server.store.packing import packed_against, unpacked_against
from flashworthy_server.tables import report_ids, reports, whole_bodies
from support.site import AGENT, a_sent_report

NAMES = [f"a-package-with-a-long-name-{number}" for number in range(60)]


@pytest.fixture
def token(site):
    return site.enrol()


def send(site, token, sequence, text="Alderleaf", names=NAMES):
    """A report that is told apart by its kernel's text, and by its many packages."""
    installed = [{"name": name, "version_text": "1.0"} for name in names]
    report = a_sent_report(sequence=sequence)
    report["software"] |= {"kernel": text, "installed": installed}
    assert site.send(token, report).status_code == 201
    return json.dumps(report).encode()


def rows(site):
    with site.site.database.reading() as connection:
        return connection.execute(select(reports).order_by(reports.c.number)).all()


def bodies(site, count):
    with site.site.database.reading() as connection:
        return [history.load_body(connection, 1, number + 1) for number in range(count)]


def test_every_body_comes_back_byte_for_byte(site, token):
    sent = [send(site, token, sequence, f"kernel {sequence}") for sequence in (1, 2, 3)]

    assert bodies(site, 3) == sent


def test_a_report_that_says_the_same_again_takes_a_small_fraction(site, token):
    sent = [send(site, token, sequence) for sequence in (1, 2)]

    first, second = rows(site)
    assert (first.whole, second.whole) == (None, 1)
    assert len(second.body) < len(sent[1]) / 20


def test_a_new_month_begins_with_a_whole_body(site, token):
    first = send(site, token, 1)
    site.clock.now = datetime(2026, 6, 1, tzinfo=UTC)
    sent = [first, send(site, token, 2), send(site, token, 3)]

    assert [row.whole for row in rows(site)] == [None, None, 2]
    assert bodies(site, 3) == sent


def test_a_report_with_little_in_common_is_kept_whole_and_later_ones_against_it(site, token):
    other = [f"{number * 7919:x}-something-else" for number in range(200)]
    sent = [send(site, token, 1), send(site, token, 2, names=other)]
    sent.append(send(site, token, 3, names=other))

    assert [row.whole for row in rows(site)] == [None, None, 2]
    assert bodies(site, 3) == sent


def test_a_late_report_is_no_body_for_others(site, token):
    other = [f"{number * 7919:x}-something-else" for number in range(200)]
    sent = [send(site, token, 5), send(site, token, 2, names=other), send(site, token, 6)]

    assert [row.whole for row in rows(site)] == [None, None, 1]
    assert bodies(site, 3) == sent


def test_what_differs_is_not_read_with_another_body():
    difference = packed_against(b"a body of words", b"a body of many words")

    assert unpacked_against(difference, b"a body of many words") == b"a body of words"
    with pytest.raises(zlib.error, match="invalid input data"):
        unpacked_against(difference, b"a body of other words")


def test_there_is_no_body_of_a_report_that_never_came(site, token):
    send(site, token, 1)

    with site.site.database.reading() as connection:
        assert history.load_body(connection, 1, 2) is None


def test_reports_are_numbered_by_their_machine_and_their_ids_stay_unique(site, token):
    send(site, token, 1)
    site.machine(7)
    send(site, token, 2)

    with site.site.database.reading() as connection:
        places = connection.execute(select(report_ids.c.machine_id, report_ids.c.number)).all()
        held = connection.execute(select(whole_bodies.c.machine_id, whole_bodies.c.number)).all()
    assert sorted(map(tuple, places)) == [(1, 1), (1, 2), (2, 1)]
    assert sorted(map(tuple, held)) == [(1, 1), (2, 1)]
    assert rows(site)[0].agent_id == AGENT
