"""Pages of what people record and decide: releases, review, packages, limits, exceptions."""

import io
import json
import re

import pytest

from flashworthy_common.policy import limits
from flashworthy_server.documents import COLUMNS
from flashworthy_server.pages import release_form
from flashworthy_server.services import audit, jobs, long_work, packages, releases
from flashworthy_server.services.releases import ReleaseFilters
from flashworthy_server.services.who import Role
from flashworthy_server.web.origin import FORM_FIELD
from support.site import KNOWLEDGE, RELEASE, REVIEW, a_sent_report

A_RELEASE = {
    "machine_maker": "Quillmark",
    "models": "Folio 14\nQF14",
    "version_text": "1.34",
    "minutes": "25",
    "can_go_back": "yes",
    "reason_kind-0": "security",
    "reason_says-0": "closes a hole",
    "reason_source-0": "https://quillmark.example/notes",
    "reason_advisories-0": "CVE-0000-1401\nCVE-0000-1402",
}


@pytest.fixture
def technician(site):
    return site.browser(Role.TECHNICIAN)


@pytest.fixture
def administrator(site):
    return site.browser(Role.ADMINISTRATOR)


def recorded(site):
    return list(releases.all_releases(site.site, ReleaseFilters()))


def upload(browser, path, label, name, content, **typed):
    """Fill in a form, a file with it, and press its button; the page that the browser ends at."""
    form = browser.open(path).form(label)
    file = (io.BytesIO(content), name)
    return browser.post(form.action, {**form.fields, **typed, "file": file})


# ---- releases ---------------------------------------------------------------------------------


def test_a_release_is_recorded_by_its_form_and_shown(site, technician):
    page = technician.send(technician.open("/releases/new"), "Record it", **A_RELEASE)

    assert "For Folio 14, QF14. Offered. Read as two numbers: version 1.34." in page.text
    (stored,) = recorded(site)
    assert (stored.release.minutes, stored.release.can_go_back) == (25, True)
    assert stored.release.reasons[0].advisories == ("CVE-0000-1401", "CVE-0000-1402")
    assert "1.34" in technician.open("/releases").text


def test_the_form_sent_twice_records_one_release(site, technician):
    page = technician.open("/releases/new")
    for _ in range(2):
        technician.send(page, "Record it", **A_RELEASE)

    assert len(recorded(site)) == 1
    assert len([e for e in audit.all_entries(site.site) if e.action.startswith("release")]) == 1


@pytest.mark.parametrize(
    ("typed", "field", "says"),
    [
        ({"minutes": "long"}, "minutes", "minutes: expected a whole number"),
        ({"version_text": "Default string"}, "version_text", "expected a version in a known way"),
        ({"models": ""}, "models", "expected the name of one model or more"),
        ({"requires_charge_percent": "150"}, "requires_charge_percent", "from 0 to 100 percent"),
        ({"requires_os_builds": "at least 7"}, "requires_os_builds", "expected an object"),
        ({"ways": "by magic"}, "ways", "expected one of inside-os"),
        ({"state": "withdrawn"}, "state_reason", "expected why it was withdrawn"),
        ({"reason_says-0": ""}, "reason_says-0", "expected what it is for"),
        ({"reason_symptoms-0": "fan"}, "reason_symptoms-0", "expected 2 words"),
    ],
)
def test_a_fault_stands_at_its_field_and_what_was_typed_stays(site, technician, typed, field, says):
    page = technician.send(technician.open("/releases/new"), "Record it", **A_RELEASE | typed)

    assert page.status == 422
    assert says in page.text
    (given,) = [given for _, given in page.tags if given.get("aria-invalid") == "true"]
    assert given["name"] == field
    kept = page.form("Record it").fields
    assert kept["machine_maker"] == "Quillmark"
    assert kept["reason_advisories-0"] == "CVE-0000-1401\nCVE-0000-1402"
    assert recorded(site) == []


def test_a_version_is_read_by_a_button_and_nothing_is_recorded(site, technician):
    page = technician.send(
        technician.open("/releases/new"),
        "Only read the version",
        machine_maker="Tarnbrook",
        version_text="T.1B",
    )

    assert page.status == 200
    assert "read as letter.revision: letter T, revision 1B" in page.text
    assert page.form("Record it").fields["version_text"] == "T.1B"
    assert recorded(site) == []


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("maker=Tarnbrook&version=T.1B", "read as letter.revision: letter T, revision 1B"),
        (
            "maker=Tarnbrook&version=T.1B&runs=T.19",
            "revision 1B is after 19: letters count as digits in this scheme",
        ),
        ("maker=&version=4.6.5", "is a core number, not a release: it could not be ordered"),
        ("version=", ""),
        ("version=%3Cb%3E", "fits no known scheme"),
    ],
)
def test_a_version_is_read_while_it_is_typed(technician, query, says):
    response = technician.client.get(f"/reading?{query}")

    assert response.content_type == "text/plain; charset=utf-8"
    assert says in response.text


def test_every_column_of_a_release_stands_in_the_form():
    fields = [each for group in release_form.GROUPS for each in group.fields]
    names = [each.name for each in (*fields, *release_form.REASON_FIELDS)]

    assert sorted(names) == sorted(column.name for column in COLUMNS)


def test_a_release_that_is_changed_as_it_stands_stays_what_it_is(site, technician):
    whole = RELEASE | {
        "skus": ["QF14-DE", "QF14-FR"],
        "requires": {
            "firmware": "1.20",
            "os_builds": [{"name": "Debian", "version_text": "12"}],
            "installed": [
                {"name": "tool", "version_text": "2"},
                {"name": "driver", "version_text": "1"},
            ],
            "mains": True,
            "charge_percent": 30,
        },
        "reasons": [*RELEASE["reasons"], {"kind": "fault", "says": "mends it", "source": "there"}],
        "recovery": "hold both keys\nfor a minute",
    }
    site.post("/releases", whole)
    before = recorded(site)

    technician.send(technician.open("/releases/1/change"), "Change it")

    assert recorded(site) == before


def test_a_release_is_changed_by_its_form_and_a_reason_is_added(site, technician):
    site.post("/releases", RELEASE)
    page = technician.open("/releases/1/change")

    page = technician.send(
        page,
        "Change it",
        minutes="40",
        **{"reason_kind-1": "fault", "reason_says-1": "stops the hum", "reason_source-1": "notes"},
    )

    assert "stops the hum" in page.text
    (stored,) = recorded(site)
    assert (stored.release.minutes, len(stored.release.reasons)) == (40, 2)


def test_a_change_in_between_is_told_and_nothing_is_lost(site, technician):
    site.post("/releases", RELEASE)
    opened = technician.open("/releases/1/change")
    site.clock.pass_by(minutes=1)
    site.post("/releases", RELEASE | {"minutes": 40})

    page = technician.send(opened, "Change it", minutes="30")

    assert (page.status, "was changed since it was opened" in page.text) == (409, True)
    assert recorded(site)[0].release.minutes == 40


def test_the_page_of_a_release_tells_which_machines_it_is_about(site, technician):
    for number in (1, 2):
        site.machine(number)
    site.machine(3, firmware={"version_text": "1.34"})
    site.post("/releases/import", KNOWLEDGE)

    page = technician.open("/releases/1")

    assert "3 machines in service" in page.text
    assert "2 Folio 14 1.29 behind newer than it on the way" in page.text
    assert "1 Folio 14 1.34 current what runs" in page.text


def test_a_release_is_withdrawn_with_its_reason(site, technician):
    site.post("/releases", RELEASE)

    refused = technician.send(technician.open("/releases/1"), "Set its state", state="withdrawn")
    done = technician.send(
        refused, "Set its state", state="withdrawn", state_reason="it stops some disks"
    )

    assert "expected why it was withdrawn" in refused.text
    assert "Withdrawn: it stops some disks" in done.text


def test_a_release_is_removed_only_by_whoever_was_told_what_rests_on_it(site, technician):
    site.machine(1)
    site.post("/releases/import", KNOWLEDGE)
    page = technician.open("/releases/1")
    assert "I know that 1 machine would be flashed with 1.34" in page.text

    refused = technician.send(page, "Remove it", reason="typed for the wrong model")
    assert (refused.status, len(recorded(site))) == (409, 1)
    technician.send(refused, "Remove it", reason="typed for the wrong model", anyway="yes")

    assert recorded(site) == []


def test_releases_are_filtered_by_the_address(site, technician):
    site.post("/releases", RELEASE)
    site.post("/releases", RELEASE | {"version_text": "1.20", "state": "superseded"})

    page = technician.open("/releases?state=superseded")

    assert "/releases/2" in page.links
    assert "/releases/1" not in page.links
    assert technician.open("/releases?state=lost").status == 422


def test_an_empty_list_says_what_to_do_first(site, technician):
    page = technician.open("/releases")

    assert "No release is recorded yet. Begin with what nobody has read yet" in page.text
    assert {"/releases/new", "/releases/import", "/review"} <= set(page.links)


def test_a_viewer_reads_releases_and_is_offered_no_change(site):
    site.machine(1)
    site.know()
    viewer = site.browser(Role.VIEWER)

    for path in ("/releases/1", "/review", "/packages/1", "/policy", "/exceptions", "/weighing"):
        page = viewer.open(path)
        assert page.status == 200, path
        assert not [
            form for form in page.forms if form.method == "post" and form.label != "Sign out"
        ]
    assert not re.search("/releases/(new|import)|/change", " ".join(viewer.open("/releases").links))


# ---- imports and exports ----------------------------------------------------------------------


def test_a_file_is_recorded_after_its_differences_were_seen(site, technician):
    site.post("/releases", RELEASE | {"minutes": 10})
    for number in (1, 2):
        site.machine(number)

    page = upload(
        technician,
        "/releases/import",
        "Show what it would change",
        "folio.json",
        json.dumps(KNOWLEDGE).encode(),
    )
    assert "About 2 machines here minutes 10 becomes 25" in page.text
    assert recorded(site)[0].release.minutes == 10
    page = technician.send(page, "Record all of it")

    assert "All of this is recorded" in page.text
    assert recorded(site)[0].release.minutes == 25


def test_the_text_of_a_file_may_be_typed_in(site, technician):
    text = "machine_maker,models,version_text\nQuillmark,Folio 14,1.34\n"
    page = technician.open("/releases/import")

    page = technician.send(page, "Show what it would change", text=text)

    assert "release Quillmark Folio 14: 1.34: new" in page.text
    assert technician.send(page, "Record all of it").status == 200
    assert len(recorded(site)) == 1


def test_a_file_with_faults_names_each_with_its_line(site, technician):
    text = b"machine_maker,models,version_text,minutes\nQuillmark,Folio 14,1.34,long\n"

    page = upload(technician, "/releases/import", "Show what it would change", "folio.csv", text)

    assert "1 bad row; nothing was recorded" in page.text
    assert "line 2, releases[0].minutes : expected a whole number" in page.text


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("folio.json", b"{", "not JSON"),
        ("folio.csv", b"\xff", "expected UTF-8, got the byte 0xff"),
        ("folio.json", b"[" * 5000, "nested too deep"),
    ],
)
def test_a_file_that_cannot_be_read_says_why(technician, name, content, says):
    page = upload(technician, "/releases/import", "Show what it would change", name, content)

    assert says in page.text


def test_no_file_and_no_text_is_told_at_the_field(technician):
    page = technician.send(technician.open("/releases/import"), "Show what it would change")

    assert (page.status, "expected a file, or its text below" in page.text) == (422, True)


def test_a_file_over_the_limit_is_refused(site, technician):
    site.settle(import_body_bytes=1000)
    form = technician.open("/releases/import").form("Show what it would change")

    page = technician.post(form.action, {**form.fields, "text": "x" * 70_000})

    assert page.status == 413


def test_a_file_is_taken_of_nobody_who_is_not_signed_in(site):
    stranger = site.browser()
    token = stranger.open("/sign-in").form("Sign in").fields[FORM_FIELD]

    response = stranger.client.post(
        "/packages/new", data={FORM_FIELD: token, "file": (io.BytesIO(b"x"), "x.cap")}
    )

    assert response.headers["Location"].startswith("/sign-in")


def test_long_work_can_be_left_and_returned_to(site, technician):
    site.post("/releases/import", KNOWLEDGE)
    page = technician.send(technician.open("/releases"), "Make the file", format="csv")
    assert "It waits to be begun" in page.text
    assert "You can leave this page" in page.text

    jobs.run_waiting(site.site, long_work.WORKS)

    assert "Releases as a file" in technician.open("/jobs").text
    (link,) = [each for each in technician.open("/jobs").links if re.fullmatch(r"/jobs/\d+", each)]
    (file,) = [each for each in technician.open(link).links if each.endswith("/file")]
    response = technician.client.get(file)
    assert response.text.startswith("machine_maker,models,version_text")
    assert response.headers["Content-Disposition"] == "attachment; filename=releases.csv"


def test_the_work_of_somebody_else_is_not_shown(site, technician):
    technician.send(technician.open("/packages"), "Verify every file")
    other = site.signed_in(site.person(Role.TECHNICIAN, "Eve Moss"))

    assert other.open("/jobs/1").status == 403
    assert "Nothing was asked for yet" in other.open("/jobs").text


# ---- review -----------------------------------------------------------------------------------


def test_what_nobody_has_read_is_reviewed_by_a_form(site, technician):
    for number in (1, 2):
        site.machine(number)
    page = technician.open("/review")
    assert "2 Quillmark Folio 14" in page.text
    (link,) = [each for each in page.links if each.startswith("/review/")]

    page = technician.send(
        technician.open(link),
        "Record what you read",
        source="https://quillmark.example/folio-14",
        newest_version_text="1.34",
        released_on="2026-03-02",
        kind="security",
        reason="closes a hole",
        advisories="CVE-0000-1401",
    )

    assert "Nothing waits to be read" in page.text
    assert "the technician Quillmark Folio 14 1.34" in page.text
    (stored,) = recorded(site)
    assert stored.release.reasons[0].advisories == ("CVE-0000-1401",)
    outcomes = [row["outcome"] for row in site.get("/machines").json["machines"]]
    assert outcomes == ["prepare", "prepare"]


def test_a_reading_that_is_sent_twice_is_one(site, technician):
    site.machine(1)
    page = technician.open("/review/1")
    for _ in range(2):
        technician.send(page, "Record what you read", source="page", newest_version_text="1.34")
        site.clock.pass_by(minutes=1)

    assert len(site.get("/reviews").json["reviews"]) == 1


def test_a_reading_with_a_fault_keeps_what_was_typed(site, technician):
    site.machine(1)

    page = technician.send(
        technician.open("/review/1"),
        "Record what you read",
        source="the page",
        newest_version_text="Default string",
        advisories="CVE-0000-1401",
        kind="security",
        reason="closes it",
    )

    assert page.status == 422
    assert "newest_version_text: expected a version" in page.text
    assert page.form("Record what you read").fields["advisories"] == "CVE-0000-1401"
    assert site.get("/reviews").json["reviews"] == []


def test_the_form_of_a_review_tells_how_the_version_stands_to_the_running_one(site, technician):
    site.machine(1)

    page = technician.send(
        technician.open("/review/1"), "Only read the version", newest_version_text="1.34"
    )

    assert "version 1.34 is after 1.29" in page.text


def test_a_review_begins_with_the_page_that_was_read_last(site, technician):
    site.machine(1)
    site.post("/releases/import", KNOWLEDGE)

    fields = technician.open("/review/1").form("Record what you read").fields

    assert fields["source"] == REVIEW["source"]
    assert fields["models"] == "Folio 14"


def test_machines_whose_firmware_cannot_be_read_are_not_offered_for_review(site, technician):
    token = site.enrol(hostname="desk-9")
    site.send(token, a_sent_report(firmware={"version_text": "Default string"}))

    page = technician.open("/review")

    assert not [each for each in page.links if each.startswith("/review/")]
    assert "See the machines" in page.text


# ---- packages ---------------------------------------------------------------------------------

CONTENT = b"the package of 1.29"
SAID = {
    "machine_maker": "Quillmark",
    "models": "Folio 14",
    "version_text": "1.29",
    "source": "https://quillmark.example/folio-14",
}


def test_a_file_is_kept_shown_and_fetched(site, technician):
    site.machine(1)
    page = technician.open("/packages")
    assert "1 Quillmark Folio 14 1.29" in page.text
    (link,) = [each for each in page.links if each.startswith("/packages/new?")]
    assert technician.open(link).form("Keep it").fields["version_text"] == "1.29"

    page = upload(technician, "/packages/new", "Keep it", "folio.cap", CONTENT, **SAID)

    assert "folio.cap, 19 bytes" in page.text
    with technician.client.get("/packages/1/file") as response:
        assert response.data == CONTENT
        assert response.headers["Content-Disposition"] == "attachment; filename=folio.cap"
    assert "an intact file is kept" in technician.open("/packages").text


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({"published_digest": "sha-256:" + "0" * 64}, "expected a file with the digest"),
        ({"published_digest": "00"}, "published_digest: expected a digest in hex"),
        ({"version_text": ""}, "version_text: expected a version, got nothing"),
        ({"machine": "nowhere"}, "machine: there is no machine named 'nowhere'"),
        ({"source": " "}, "source: expected where it comes from"),
    ],
)
def test_a_file_that_cannot_be_kept_says_why(site, technician, typed, says):
    page = upload(technician, "/packages/new", "Keep it", "folio.cap", CONTENT, **SAID | typed)

    assert page.status == 422
    assert says in page.text
    assert page.form("Keep it").fields["models"] == "Folio 14"
    assert packages.list_packages(site.site, maker=None, after=0, count=9) == ([], None)


def test_a_form_without_its_file_is_refused_at_the_field(technician):
    page = technician.send(technician.open("/packages/new"), "Keep it", **SAID)

    assert (page.status, "expected the maker's file, got none" in page.text) == (422, True)


def test_a_file_that_is_too_large_is_refused(site, technician):
    site.settle(package_bytes=10)

    page = upload(technician, "/packages/new", "Keep it", "folio.cap", CONTENT, **SAID)

    assert (page.status, "a package of at most 10 bytes" in page.text) == (413, True)


def test_a_damaged_file_is_told_on_its_page_and_never_handed_out(site, technician):
    site.keep(CONTENT)
    folder = packages.folder_of(site.site)
    (file,) = [each for each in folder.path.rglob("*") if each.is_file()]
    file.chmod(0o600)
    file.write_bytes(b"rotten")

    assert technician.open("/packages/1/file").status == 410

    assert "This file is damaged and counts as not kept" in technician.open("/packages/1").text


def test_every_file_is_verified_in_the_background(site, technician):
    site.keep(CONTENT)
    page = technician.send(technician.open("/packages"), "Verify every file")
    jobs.run_waiting(site.site, long_work.WORKS)

    assert "1 intact, 0 damaged" in technician.open("/jobs/1").text
    assert "waits" in page.text


def test_a_package_is_removed_only_by_whoever_was_told_what_rests_on_it(site, technician):
    site.machine(1)
    site.know()
    page = technician.open("/packages/1")

    refused = technician.send(page, "Keep it no longer", reason="kept twice")
    technician.send(refused, "Keep it no longer", reason="kept twice", anyway="yes")

    assert refused.status == 409
    assert packages.list_packages(site.site, maker=None, after=0, count=9) == ([], None)


# ---- limits -----------------------------------------------------------------------------------


def test_limits_are_set_after_their_effect_was_seen(site, administrator):
    site.machine(1)
    site.know()
    page = administrator.send(
        administrator.open("/policy"),
        "Show the effect",
        least_priority="immediate",
        release_age_seconds="10 days",
    )
    assert "Every one of 1 machine was judged" in page.text
    assert "1 clear leave" in page.text.replace("✓", "").replace("–", "").replace("  ", " ")
    assert "desk-001 clear leave" in page.text
    assert "Release age 10 days" in page.text

    page = administrator.send(page, "Set these limits")

    fields = page.form("Show the effect").fields
    assert (fields["least_priority"], fields["release_age_seconds"]) == ("immediate", "10 days")
    assert site.get("/policy").json["versions"][0]["set_by"] == "the administrator"


def test_limits_can_be_changed_again_before_they_are_set(site, administrator):
    page = administrator.send(
        administrator.open("/policy?place=Alder+Lane"), "Show the effect", charge_percent="60"
    )
    (link,) = [each for each in page.links if each.startswith("/policy?")]

    again = administrator.open(link)

    assert again.form("Show the effect").fields["charge_percent"] == "60"
    assert again.form("Show the effect").fields["place"] == "Alder Lane"


@pytest.mark.parametrize(
    ("field", "typed", "says"),
    [
        ("charge_percent", "150", "expected a number from 0 to 100 percent, got 150"),
        ("charge_percent", "much", "expected a number from 0 to 100 percent, got 'much'"),
        ("release_age_seconds", "a while", "expected a span such as 14 days"),
        ("flash_minutes", "2.5", "expected a whole number"),
        ("pending_updates_block", "perhaps", "expected true or false"),
        ("ups_rule", "never", "expected one of told, bring"),
    ],
)
def test_a_limit_that_cannot_be_is_told_at_its_field(administrator, field, typed, says):
    page = administrator.send(
        administrator.open("/policy"), "Show the effect", **{field: typed, "free_bytes": "7"}
    )

    assert page.status == 422
    assert says in page.text
    assert page.form("Show the effect").fields["free_bytes"] == "7"


def test_every_limit_stands_on_the_page_with_its_value_unit_and_source(site):
    page = site.browser(Role.VIEWER).open("/policy")

    assert "14 days" in page.text
    assert "50 percent" in page.text
    assert all(each.metadata["why"] in page.text for each in limits())


def test_what_somebody_else_set_meanwhile_is_not_overwritten(site, administrator):
    page = administrator.send(administrator.open("/policy"), "Show the effect", charge_percent="60")
    site.put("/policy", {"limits": {"charge_percent": 70}})

    page = administrator.send(page, "Set these limits")

    assert (page.status, "look at the effect again" in page.text) == (409, True)


def test_places_with_limits_of_their_own_are_listed(site, administrator):
    site.put("/policy", {"place": "Alder Lane", "limits": {"charge_percent": 70}})

    assert "/policy?place=Alder+Lane" in administrator.open("/policy").links


# ---- exceptions, weighing, symptoms -----------------------------------------------------------

AN_EXCEPTION = {
    "kind": "not-this-release",
    "machines": "desk-001",
    "version_text": "1.34",
    "reason": "exams",
    "owner": "Ida Fenwick",
    "until": "2026-06-30",
}


def test_an_exception_is_made_for_a_machine_that_is_named_and_ended(site, administrator):
    site.machine(1)
    page = administrator.send(administrator.open("/exceptions/new"), "Make it", **AN_EXCEPTION)
    assert "this release is not flashed 1.34 Quillmark Folio 14: #1 2026-06-30" in page.text

    page = administrator.send(page, "End it", reason="exams are over")

    assert "None is in force" in page.text
    assert "ended early" in administrator.open("/exceptions?all=yes").text


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({"machines": "desk-009"}, "machines: there is no machine named 'desk-009'"),
        ({"until": "soon"}, "until: expected a date such as"),
        ({"until": "2020-01-01"}, "until: expected today or a later day"),
        ({"version_text": ""}, "version_text: expected the release"),
        ({"owner": ""}, "owner: expected who answers for it"),
    ],
)
def test_an_exception_with_a_fault_names_it_and_keeps_what_was_typed(
    site, administrator, typed, says
):
    site.machine(1)

    page = administrator.send(
        administrator.open("/exceptions/new"), "Make it", **AN_EXCEPTION | typed
    )

    assert page.status == 422
    assert says in page.text
    assert page.form("Make it").fields["reason"] == "exams"


def test_reasons_are_weighed_by_what_is_set(site, administrator):
    page = administrator.send(
        administrator.open("/weighing"), "Weigh so", exposure="open", automatable="yes"
    )

    assert "Reasons are weighed so from now on" in page.text
    fields = administrator.open("/weighing").form("Weigh so").fields
    assert (fields["exposure"], fields["automatable"]) == ("open", "yes")


def test_an_advisory_is_recorded_with_what_is_known_of_it(site, administrator):
    page = administrator.send(
        administrator.open("/weighing"),
        "Record it",
        id="CVE-0000-1401",
        exploitation="active",
        cvss_vector="CVSS:3.1/AV:L/AC:L/PR:L/UI:N/S:U/C:H/I:H/A:H",
    )

    # FIRST, CVSS 3.1 examples: this vector has the base score 7.8, high
    assert "CVE-0000-1401 active not said 7.8 High" in page.text


def test_a_catalogue_of_exploited_holes_is_handed_in(site, administrator):
    catalogue = {
        "title": "made up",
        "catalogVersion": "2026.05.01",
        "dateReleased": "2026-05-01T00:00:00Z",
        "count": 1,
        "vulnerabilities": [
            {
                "cveID": "CVE-0000-1401",
                "dateAdded": "2026-04-01",
                "dueDate": "2026-04-22",
                "knownRansomwareCampaignUse": "Unknown",
            }
        ],
    }

    page = upload(
        administrator,
        "/weighing",
        "Record the catalogue",
        "holes.json",
        json.dumps(catalogue).encode(),
    )

    assert "Version 2026.05.01" in page.text
    assert "holds 1 holes; 1 are new" in page.text


@pytest.mark.parametrize("given", ["9" * 30, "-1", "٣", "one", ""])
def test_an_address_with_a_number_that_no_row_can_have_shows_the_beginning(administrator, given):
    addresses = ("/releases?after=", "/packages?after=", "/jobs?before=", "/exceptions?before=")
    for address in (*addresses, "/audit?before=", "/policy?like="):
        assert administrator.open(address + given).status == 200, address


def test_settings_name_what_one_may_see(site):
    assert "Audit trail" in site.browser(Role.ADMINISTRATOR).open("/settings").text
    viewer = site.browser(Role.VIEWER).open("/settings")
    assert "Audit trail" not in viewer.text
    assert "/policy" in viewer.links
