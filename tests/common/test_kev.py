"""The catalogue of known exploited vulnerabilities, as it is really published."""

import json
from datetime import date

import jsonschema
import pytest

from flashworthy_common.errors import MalformedValueError
from flashworthy_common.kev import ExploitedVulnerability, read_exploited_catalogue
from support.shared_data import shared_file


def an_entry(**changed):
    return {
        "cveID": "CVE-2014-0160",
        "vendorProject": "an invented maker",
        "product": "an invented product",
        "vulnerabilityName": "a hole",
        "dateAdded": "2022-05-04",
        "shortDescription": "a hole",
        "requiredAction": "close it",
        "dueDate": "2022-05-25",
        "knownRansomwareCampaignUse": "Unknown",
        "notes": "",
        "cwes": ["CWE-125"],
    } | changed


def a_catalogue(*entries, **changed):
    return {
        "title": "a catalogue",
        "catalogVersion": "2026.05.04",
        "dateReleased": "2026-05-04T17:04:19.9796Z",
        "count": len(entries),
        "vulnerabilities": list(entries),
    } | changed


def test_an_entry_gives_its_id_its_dates_and_whether_ransomware_uses_it():
    catalogue = read_exploited_catalogue(a_catalogue(an_entry(knownRansomwareCampaignUse="Known")))

    assert catalogue.vulnerabilities == (
        ExploitedVulnerability(
            id="CVE-2014-0160",
            added_on=date(2022, 5, 4),
            due_on=date(2022, 5, 25),
            ransomware=True,
        ),
    )
    assert catalogue.version == "2026.05.04"
    assert catalogue.ids == {"CVE-2014-0160"}


# The catalogue of 2025 had, among 1404 entries, 15 due before they were added and 152 without
# weaknesses; `knownRansomwareCampaignUse`, `notes` and `cwes` are optional in its JSON schema.
@pytest.mark.parametrize(
    "changed",
    [
        {"dateAdded": "2022-05-25", "dueDate": "2022-05-04"},
        {"cwes": []},
        {"aKeyOfTomorrow": 1},
    ],
)
def test_the_quirks_of_the_real_catalogue_are_accepted(changed):
    assert read_exploited_catalogue(a_catalogue(an_entry(**changed))).ids == {"CVE-2014-0160"}


def test_what_its_schema_calls_optional_may_be_missing():
    entry = an_entry()
    for name in ("knownRansomwareCampaignUse", "notes", "cwes"):
        del entry[name]

    (found,) = read_exploited_catalogue(a_catalogue(entry)).vulnerabilities

    assert found.ransomware is False


@pytest.mark.parametrize(
    ("data", "says"),
    [
        ([], "document: expected an object, got []"),
        ({}, "vulnerabilities: expected a list, got None"),
        (a_catalogue(an_entry(), count=2), "count: expected 1, the number of entries, got 2"),
        (a_catalogue(an_entry(), count=True), "count: expected 1, the number of entries, got True"),
        (a_catalogue("x"), "vulnerabilities[0]: expected an object, got 'x'"),
        (
            a_catalogue(an_entry(cveID="CVE-26-1")),
            "vulnerabilities[0].cveID: expected an id such as CVE-2026-12345, got 'CVE-26-1'",
        ),
        (
            a_catalogue(an_entry(cveID="CVE-2026-\u0661\u0662\u0663\u0664")),  # Arabic digits
            "vulnerabilities[0].cveID: expected an id such as CVE-2026-12345,"
            " got 'CVE-2026-\u0661\u0662\u0663\u0664'",
        ),
        (a_catalogue(an_entry(cveID=None)), "vulnerabilities[0].cveID: expected a text, got None"),
        (
            a_catalogue(an_entry(dueDate="soon")),
            "vulnerabilities[0].dueDate: expected a date such as 2026-05-04, got 'soon'",
        ),
        (
            a_catalogue(an_entry(), an_entry()),
            "vulnerabilities[1].cveID: expected an id that is not listed yet, got 'CVE-2014-0160'",
        ),
        (a_catalogue(catalogVersion=3), "catalogVersion: expected a text, got 3"),
        (
            a_catalogue(dateReleased="today"),
            "dateReleased: expected an RFC 3339 time such as 2026-05-04T10:00:00Z, got 'today'",
        ),
    ],
)
def test_what_is_not_a_catalogue_is_refused_by_field(data, says):
    with pytest.raises(MalformedValueError) as caught:
        read_exploited_catalogue(data)

    assert str(caught.value) == says


def test_a_published_excerpt_is_read_whole():
    data = json.loads(shared_file("standards/kev/kev_excerpt.json").read_text(encoding="utf-8"))

    catalogue = read_exploited_catalogue(data)

    assert len(catalogue.vulnerabilities) == data["count"] == 3
    assert {"CVE-2025-48384", "CVE-2014-0160"} <= catalogue.ids


def test_the_tests_own_entries_fit_the_published_schema():
    name = "standards/kev/known_exploited_vulnerabilities_schema.json"
    schema = json.loads(shared_file(name).read_text(encoding="utf-8"))

    jsonschema.validate(a_catalogue(an_entry()), schema)
