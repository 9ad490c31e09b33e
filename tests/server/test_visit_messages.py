"""What people are told of a visit: by mail through a real server, and by their calendars."""

from datetime import UTC, datetime, timedelta

import pytest
from icalendar import Calendar

from flashworthy_server.errors import ConflictError, InvalidInputError, MailError
from flashworthy_server.mailing import parse_recipients
from flashworthy_server.services import accounts, visit_calendars, visit_messages, visit_plans
from flashworthy_server.services import visits as service
from flashworthy_server.services.visit_plans import Wanted
from flashworthy_server.services.who import Role
from support.machines import NOW
from support.mail_server import REFUSED, mail_server, message_in
from support.site import WHO

IN_A_DAY = NOW + timedelta(days=1)
ADA, BEN = "ada@wendle.example", "ben@wendle.example"


@pytest.fixture
def visit(site):
    """One planned visit to two machines; its number."""
    site.know()
    site.person(Role.TECHNICIAN, "Tom Arden")
    site.settle(time_zone="Europe/London")
    for number in (1, 2):
        site.machine(number, place="Elmford / staff room; east, 1st floor")
    wanted = Wanted(
        machine_ids=(1, 2),
        begins_at=IN_A_DAY,
        ends_at=IN_A_DAY + timedelta(hours=2),
        technician_id=1,
        remark="Schlüssel am Empfang",
    )
    return visit_plans.plan_visit(site.site, WHO, wanted, "a form")


@pytest.fixture
def mail(site, visit):
    with mail_server() as (address, envelopes):
        site.settle(mail_server=address, mail_from="firmware@wendle.example")
        yield envelopes


def send(site, recipients=ADA, key="a press", text=""):
    return visit_messages.send_message(site.site, WHO, 1, key, recipients, text)


# ---- mail (RFC 5321, RFC 5322), by aiosmtpd ----------------------------------------------------


def test_the_people_concerned_are_told_what_when_and_what_to_do(site, mail):
    sent = send(site, f"{ADA}, {BEN}\n{ADA}")

    (envelope,) = mail
    message = message_in(envelope)
    assert sent.recipients == 2
    assert envelope.rcpt_tos == [ADA, BEN]
    assert message["To"] == message["From"] == "firmware@wendle.example"  # nobody sees the others
    text = message.get_content()
    assert "Tuesday 5 May 2026, 11:00 to 13:00 (Europe/London)" in text
    assert "desk-002" in text


def test_who_was_told_is_noted_and_told_in_the_audit_trail(site, mail):
    send(site)

    (note,) = service.view_visit(site.site, 1).notes
    assert (note.what, note.says) == ("told", f"by mail: {ADA}")
    entries = site.get("/audit").json["entries"]
    assert [e["after"]["told"] for e in entries if e["action"] == "visit.tell"] == [[ADA]]


def test_a_form_that_is_sent_twice_sends_one_message(site, mail):
    send(site)
    send(site)

    assert len(mail) == 1


def test_what_a_person_made_of_the_text_is_sent(site, mail):
    send(site, text="Tuesday at eleven.\r\nTom")

    assert message_in(mail[0]).get_content().splitlines() == ["Tuesday at eleven.", "Tom"]


def test_whom_the_mail_server_refuses_is_said(site, mail):
    sent = send(site, f"{ADA} {REFUSED}")

    assert (sent.recipients, sent.refused) == (1, (REFUSED,))
    (note,) = service.view_visit(site.site, 1).notes
    assert note.says == f"by mail: {ADA}; refused: {REFUSED}"


def test_a_mail_server_that_takes_nobody_lets_the_form_be_sent_again(site, mail):
    with pytest.raises(MailError, match="takes it for nobody"):
        send(site, REFUSED)

    assert send(site).recipients == 1


def test_a_mail_server_that_is_not_there_is_said(site, visit):
    site.settle(mail_server="127.0.0.1:9", mail_from="firmware@wendle.example")  # discard, RFC 863

    with pytest.raises(MailError, match=r"127\.0\.0\.1:9 fails"):
        send(site)


def test_without_a_mail_server_nothing_is_sent(site, visit):
    with pytest.raises(ConflictError, match="no mail server is set"):
        send(site)


@pytest.mark.parametrize("text", ["", "nobody", "a@b@c", "a b@c.example x", "\u00e9@x.example"])
def test_what_is_no_address_is_refused(text):
    with pytest.raises(InvalidInputError, match="recipients: expected"):
        parse_recipients(text, 50)


def test_recipients_are_bounded():
    with pytest.raises(InvalidInputError, match="1 to 2 addresses"):
        parse_recipients("a@x.example b@x.example c@x.example", 2)


# ---- calendar (RFC 5545), read by icalendar's own parser ---------------------------------------


def events_in(calendar):
    parsed = Calendar.from_ical(calendar)
    assert parsed.errors == []
    return parsed, parsed.events


def test_a_visit_is_a_calendar_file_that_a_parser_reads(site, visit):
    calendar = visit_calendars.file_of(site.site, visit, "https://flashworthy.example/visits")

    parsed, (event,) = events_in(calendar)
    assert parsed["VERSION"] == "2.0"  # §3.7.4
    assert event.errors == []
    assert datetime(2026, 5, 5, 10, 0, tzinfo=UTC) == event.DTSTART
    assert datetime(2026, 5, 5, 12, 0, tzinfo=UTC) == event.DTEND
    assert event["SUMMARY"] == "Firmware visit, 2 machines: Elmford / staff room; east, 1st floor"
    assert event["LOCATION"] == "Elmford / staff room; east, 1st floor"
    assert event["DESCRIPTION"].splitlines()[-1] == "Schlüssel am Empfang"
    assert event["STATUS"] == "CONFIRMED"
    assert event["URL"] == "https://flashworthy.example/visits/1"
    assert event["SEQUENCE"] == 0


def test_lines_of_a_calendar_are_folded_and_end_as_they_must(site, visit):
    calendar = visit_calendars.file_of(site.site, visit, "")

    lines = calendar.split(b"\r\n")
    assert lines.pop() == b""
    assert max(map(len, lines)) <= 75  # octets; §3.1
    assert b"\n" not in calendar.replace(b"\r\n", b"")
    assert b"DTSTART:20260505T100000Z" in lines  # form 2, §3.3.5


def test_a_visit_that_is_called_off_is_cancelled_in_the_same_entry(site, visit):
    before = events_in(visit_calendars.file_of(site.site, visit, ""))[1][0]
    service.call_off(site.site, WHO, visit, "works on the mains")
    after = events_in(visit_calendars.file_of(site.site, visit, ""))[1][0]

    assert (after["UID"], after["STATUS"]) == (before["UID"], "CANCELLED")
    assert after["SEQUENCE"] == before["SEQUENCE"] + 1  # §3.8.7.4


def test_a_feed_has_the_visits_of_its_technician_and_no_others(site, visit):
    tom = site.signed_in("Tom Arden")
    other = site.browser(Role.ADMINISTRATOR)
    addresses = {who: make_calendar(browser) for who, browser in (("tom", tom), ("a", other))}

    feeds = {who: events_in(site.client.get(path).data)[1] for who, path in addresses.items()}

    assert [len(feeds[who]) for who in ("tom", "a")] == [1, 0]


def test_an_address_that_is_made_anew_ends_the_old_one(site, visit):
    tom = site.signed_in("Tom Arden")
    old, new = make_calendar(tom), make_calendar(tom)

    assert site.client.get(old).status_code == 404
    assert site.client.get(new).status_code == 200
    tom.send(tom.open("/visits"), "End it")
    assert site.client.get(new).status_code == 404


def test_whoever_is_disabled_has_no_calendar(site, visit):
    path = make_calendar(site.signed_in("Tom Arden"))
    accounts.disable(site.site, WHO, 1)

    assert site.client.get(path).status_code == 404


def make_calendar(browser):
    """The path of a new calendar, as the page shows it once."""
    label = "Make a calendar address"
    page = browser.open("/visits")
    if not any(form.label.strip() == label for form in page.forms):
        label = "Make another address"
    page = browser.send(page, label)
    (address,) = [word for word in page.text.split() if "/calendar/" in word]
    return "/calendar/" + address.partition("/calendar/")[2]
