"""The pages of visits: from the list of machines to the printed sheet and the closed visit."""

import re
from datetime import timedelta

import pytest
import zxingcpp
from segno import make

from flashworthy_server.services.who import Role
from support.machines import NOW
from support.site import AGENT, a_sent_report

IN_A_DAY = NOW + timedelta(days=1)
WINDOW = {"begins": "2026-05-05T10:00", "ends": "2026-05-05T12:00"}
TOM = "Tom Arden"
MOST_PHONE_BYTES = 30_000  # of the page of a visit with its stylesheet


@pytest.fixture
def tom(site):
    """A technician's browser, at a site that knows what its machines should run."""
    site.know()
    site.person(Role.TECHNICIAN, TOM)
    return site.signed_in(TOM)


@pytest.fixture
def visit(site, tom):
    """A planned visit of two machines, the second on battery."""
    site.machine(1, place="Elmford / staff room")
    site.machine(2, place="Elmford / cellar", power={"mains": False})
    return plan(tom, 1, 2)


def address(*machines, **more):
    query = "&".join(
        [*(f"machine={each}" for each in machines), *(f"{k}={v}" for k, v in more.items())]
    )
    return f"/visits/new?{query}"


def plan(browser, *machines, **more):
    page = browser.open(address(*machines, **WINDOW, **more))
    (form,) = [each for each in page.forms if each.label.startswith("Save this visit")]
    return browser.post(form.action, {**form.fields, "machine": [str(each) for each in machines]})


# ---- planning ----------------------------------------------------------------------------------


def test_machines_that_were_ticked_in_the_list_are_chosen_already(site, tom):
    site.machine(1)
    site.machine(2)

    page = tom.open(address(1, 2))

    ticked = [a["value"] for tag, a in page.tags if a.get("name") == "machine" and "checked" in a]
    assert ticked == ["1", "2"]


def test_before_it_is_saved_the_plan_says_what_it_takes(site, tom):
    site.machine(1, place="Elmford / staff room")
    site.machine(2, power={"mains": False})

    page = tom.open(address(1, 2, **WINDOW))

    assert "55 minutes with a margin" in page.text
    assert "its adapter: desk-002" in page.text
    assert site.get("/visits").json == {"visits": []}


def test_machines_are_found_by_place_and_outcome(site, tom):
    site.machine(1, place="Elmford / staff room")
    site.machine(2, place="Kelling")
    site.machine(3, place="Elmford", power={"mains": False})

    page = tom.open(address(place="Elmford", outcome="clear"))

    offered = [a["value"] for tag, a in page.tags if a.get("name") == "machine"]
    assert offered == ["1"]


def test_saving_leads_to_the_visit_and_sending_it_twice_makes_one(site, tom):
    site.machine(1)
    form = tom.open(address(1, **WINDOW)).form("Save this visit")

    first = tom.post(form.action, form.fields)
    second = tom.post(form.action, form.fields)

    assert "Visit #1" in first.text
    assert first.text == second.text
    assert len(site.get("/visits").json["visits"]) == 1


def test_a_time_that_is_none_is_said_and_what_was_typed_stays(site, tom):
    site.settle(time_zone="Europe/London")
    site.machine(1)

    page = tom.open(address(1, begins="2027-03-28T01:30", ends="2027-03-28T04:00", remark="key"))

    assert "there is no 01:30 on 2027-03-28" in page.text
    assert page.status == 200
    assert "2027-03-28T01:30" in page.response.text


def test_conflicts_are_said_before_saving(site, tom, visit):
    page = tom.open(address(1, **WINDOW))

    assert "Tom Arden is at visit #1 (Elmford) then" in page.text
    assert any(form.label.strip() == "Save this visit all the same" for form in page.forms)


def test_a_viewer_sees_visits_and_cannot_plan_one(site, visit):
    viewer = site.browser(Role.VIEWER)

    assert "desk-002" in viewer.open("/visits/1").text
    assert viewer.open("/visits/new").status == 403


def test_the_window_is_changed_and_told_in_the_audit_trail(site, tom, visit):
    form = tom.open("/visits/1").form("Change it")
    changed = {**form.fields, "machine": ["1", "2"], "ends": "2026-05-05T13:00"}

    page = tom.post(form.action, changed)

    assert "10:00 to 13:00 (UTC)" in page.text
    actions = [each["action"] for each in site.get("/audit").json["entries"]]
    assert actions[0] == "visit.change"


# ---- the sheet ---------------------------------------------------------------------------------


def test_the_sheet_has_a_page_for_the_visit_and_one_for_each_machine(site, tom, visit):
    page = tom.open("/visits/1/sheet")

    leaves = [a for tag, a in page.tags if a.get("class") == "leaf"]
    assert len(leaves) == 2
    for part in (
        "To bring its adapter: desk-002",
        "plug in the adapter (5 minutes)",
        "look once more, then start 1.34 (5 minutes)",
        "1.34 is written (25 minutes, by itself)",
        "Never cut power",
        "https://quillmark.example/folio-14/notes",
        "No way of recovery is recorded",
        "signature",
    ):
        assert part in page.text


def test_the_code_on_the_sheet_leads_to_the_machine(site, tom, visit):
    """ISO/IEC 18004, read by zxing-cpp."""
    site.settle(public_url="http://flashworthy.example")
    tom = site.signed_in(TOM)

    svg = tom.open("/machines/2/code.svg").response
    address = "http://flashworthy.example/machines/2"

    assert svg.content_type == "image/svg+xml"
    assert decoded(svg_modules(svg.text)) == [address]
    assert decoded(list(make(address, micro=False).matrix_iter(scale=4, border=4))) == [address]


def decoded(modules):
    """What a reader finds in rows of dark and light modules."""
    pixels = bytes(0 if dark else 255 for row in modules for dark in row)
    shape = [len(modules), len(modules[0])]
    return [found.text for found in zxingcpp.read_barcodes(memoryview(pixels).cast("B", shape))]


def svg_modules(svg, scale=4):
    """The modules that the one path of a picture draws: moves and rows, as SVG 2 §9.3 reads."""
    size = round(float(re.search(r'width="(\d+)"', svg)[1]) / 4)
    rows = [[False] * size * scale for _ in range(size * scale)]
    x = y = 0.0
    for command, text in re.findall(r"([Mmh])([-\d. ]+)", re.search(r' d="([^"]+)"', svg)[1]):
        numbers = [float(each) for each in re.findall(r"-?[\d.]+", text)]
        if command == "M":
            x, y = numbers
        elif command == "m":
            x, y = x + numbers[0], y + numbers[1]
        else:
            for row in range(int(y) * scale, (int(y) + 1) * scale):
                for column in range(int(x) * scale, int(x + numbers[0]) * scale):
                    rows[row][column] = True
            x += numbers[0]
    return rows


# ---- on the spot -------------------------------------------------------------------------------


def look_on_the_spot(site, number=1, version_text="1.29", *, minutes=1, sequence=9, uptime=86_400):
    site.clock.pass_by(minutes=minutes)
    now = site.clock.now
    seen = {"seen_at": now}
    report = a_sent_report(
        sequence=sequence,
        agent_id=f"{AGENT[:24]}{number:012x}",
        number=number * 1000,
        identity={"hostname": f"desk-{number:03}", "system_serial": f"QM{number:04}"},
        firmware={"version_text": version_text, **seen},
        power=seen,
        people=seen,
    )
    report |= {"taken_at": now.isoformat(), "uptime_seconds": uptime, "why": "spot"}
    return report


def test_a_new_technician_goes_from_the_list_to_the_closed_visit(site, tom):
    token = site.machine(1, place="Elmford / staff room")
    plan(tom, 1)
    site.clock.now = IN_A_DAY
    tom = site.signed_in(TOM)
    site.send(token, look_on_the_spot(site))

    page = tom.open("/visits/1/work")
    assert "Install 1.34 now" in page.text
    page = tom.send(page, "Note that the flash is started")
    assert "under way" in page.text
    page = tom.send(page, "It is done, by what I see")
    assert "the machines' own reports decide" in page.text
    site.send(
        token, look_on_the_spot(site, version_text="1.34", minutes=25, sequence=10, uptime=60)
    )

    assert "closed" in tom.open("/visits/1").text
    assert "from 1.29 to 1.34" in tom.open("/machines/1/record").text


def test_a_verdict_that_is_not_clear_is_said_at_the_button(site, tom, visit):
    page = tom.open("/visits/1/machines/2")

    assert "The verdict is hold: mend what it names before you start" in page.text


def test_a_form_that_came_twice_is_noted_once(site, tom, visit):
    form = tom.open("/visits/1/machines/1").form("Note that the flash is started")
    tom.post(form.action, form.fields)
    tom.post(form.action, form.fields)

    assert len(site.get("/machines/1/flashes").json["flashes"]) == 1


def test_what_was_typed_stays_where_it_cannot_be_taken(site, tom, visit):
    page = tom.open("/visits/1/machines/1")

    page = tom.send(page, "Note why", reason="x" * 501)

    assert page.status == 422
    assert page.form("Note why").fields["reason"] == "x" * 501


def test_a_word_is_confirmed_on_the_spot(site, tom, visit):
    tom.send(tom.open("/visits/1/machines/1"), "I confirm it", confirms="user-informed")

    (word,) = site.get("/machines/1/confirmations").json["confirmations"]
    assert (word["what"], word["by"]) == ("user-informed", TOM)


def test_why_it_could_not_be_done_leads_to_the_next_machine(site, tom, visit):
    page = tom.send(tom.open("/visits/1/work"), "Note why", reason="no time")

    assert "desk-001" in page.text.split("Visit #1")[0] or "desk-002" in page.text
    assert "1 could not, 1 to do" in page.text or "1 to do, 1 could not" in page.text


def test_the_phone_page_of_forty_machines_is_small(site, tom):
    for number in range(1, 41):
        site.machine(number, place="Elmford / reading room", power={"mains": False})
    plan(tom, *range(1, 41))

    page = tom.open("/visits/1/work").response
    with site.client.get("/static/style.css") as style:
        assert len(page.data) + len(style.data) <= MOST_PHONE_BYTES


# ---- after -------------------------------------------------------------------------------------


def test_a_visit_that_is_ended_by_hand_says_so(site, tom, visit):
    page = tom.send(tom.open("/visits/1"), "End it all the same", reason="power works")

    assert "by Tom Arden: power works" in page.text
    assert "Ended by hand against what is known: desk-002 is to do, desk-001 is to do" in page.text


def test_one_press_takes_what_is_left_over_into_the_next_visit(site, tom, visit):
    tom.send(tom.open("/visits/1"), "End it all the same", reason="power works")

    page = tom.send(tom.open("/visits/1"), "Take what is left over into the next visit")

    assert "Visit #2" in page.text
    assert "Tuesday 12 May 2026, 10:00" in page.text


def test_a_month_and_a_record_are_pages(site, tom, visit):
    assert "minutes planned" in tom.open("/visits/month/2026-05").text
    assert tom.open("/visits/month/May").status == 422
    assert "visit planned" in tom.open("/machines/1/record").text


def test_a_visit_that_is_called_off_is_not_in_the_list(site, tom, visit):
    page = tom.send(tom.open("/visits/1"), "Call it off", reason="works on the mains")

    assert "called off" in page.text
    assert "No visit is planned" in tom.open("/visits").text


def test_the_first_page_names_the_visits_of_today_and_those_not_finished(site, tom, visit):
    assert "Visits today" not in tom.open("/").text

    site.clock.now = IN_A_DAY - timedelta(hours=9)

    assert "Elmford : Tuesday 5 May 2026, 10:00" in site.signed_in(TOM).open("/").text


def test_a_machines_page_leads_to_its_record_and_to_a_plan(site, tom, visit):
    links = tom.open("/machines/1").links

    assert {"/machines/1/record", "/visits/new?machine=1"} <= set(links)


# ---- places ------------------------------------------------------------------------------------


def test_rules_are_previewed_and_set(site, tom):
    site.machine(1)
    form = tom.open("/places").form("Show what would change")
    rules = {"rules": "Elmford / cellar | desk-* |\n\nKelling | | 192.0.2.0/24"}

    preview = tom.post(form.action, {**form.fields, **rules, "do": "preview"})
    assert "1 would move" in preview.text
    assert "desk-*" in preview.response.text  # what was typed stays
    tom.post(form.action, {**form.fields, **rules, "do": "set"})

    assert site.get("/machines/1").json["machine"]["place"] == "Elmford / cellar"


def test_a_rule_that_cannot_be_read_names_its_line(site, tom):
    form = tom.open("/places").form("Show what would change")

    page = tom.post(form.action, {**form.fields, "rules": "Elmford", "do": "set"})

    assert page.status == 422
    assert "expected place | hostname | addresses, got 'Elmford'" in page.text


def test_a_list_is_previewed_and_placed(site, tom):
    site.machine(1)
    form = tom.open("/places").form("Show where they would stand")

    preview = tom.post(form.action, {**form.fields, "list": "desk-001,Attic", "do": "preview"})
    tom.post(form.action, {**form.fields, "list": "desk-001,Attic", "do": "set"})

    assert "1 would move" in preview.text
    assert site.get("/machines/1").json["machine"]["place"] == "Attic"
