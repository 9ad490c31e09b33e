"""Severities from CVSS vectors, as FIRST publishes them."""

import csv

import pytest

from flashworthy_common.errors import MalformedValueError
from flashworthy_server.advisories import Severity, severity_of
from support.shared_data import shared_file

# FIRST, "Common Vulnerability Scoring System v3.1: Examples": base score and rating of each.
EXAMPLES = [
    # platform firmware
    ("CVE-2016-5729", "CVSS:3.1/AV:L/AC:L/PR:H/UI:N/S:C/C:H/I:H/A:H", 8.2, "High"),
    ("CVE-2015-2890", "CVSS:3.1/AV:L/AC:L/PR:H/UI:N/S:U/C:N/I:H/A:H", 6.0, "Medium"),
    ("CVE-2018-3652", "CVSS:3.1/AV:P/AC:L/PR:N/UI:N/S:C/C:H/I:H/A:H", 7.6, "High"),
    # others
    ("CVE-2014-2019", "CVSS:3.1/AV:P/AC:L/PR:N/UI:N/S:U/C:N/I:H/A:N", 4.6, "Medium"),
    ("CVE-2014-0160", "CVSS:3.1/AV:N/AC:L/PR:N/UI:N/S:U/C:H/I:N/A:N", 7.5, "High"),
    ("CVE-2014-6271", "CVSS:3.1/AV:N/AC:L/PR:N/UI:N/S:U/C:H/I:H/A:H", 9.8, "Critical"),
]


@pytest.mark.parametrize(("cve", "vector", "score", "rating"), EXAMPLES)
def test_a_vector_gives_the_score_that_first_publishes(cve, vector, score, rating):
    assert severity_of(vector) == Severity(score, rating)


def rows(name):
    with shared_file(f"standards/cvss/{name}").open(encoding="utf-8", newline="") as stream:
        yield from csv.DictReader(stream)


def test_every_example_of_first_comes_out_as_published():
    published = {
        row["vector"]: Severity(float(row["published_base_score"]), row["severity"])
        for row in rows("first_cvss31_examples.csv")
    }

    assert len(published) == 17
    assert {vector: severity_of(vector) for vector in published} == published


def test_two_hundred_vectors_come_out_as_two_other_libraries_agree():
    agreed = {row["vector"]: float(row["base_score"]) for row in rows("cvss31_base_sample.csv")}

    assert len(agreed) == 200
    assert {vector: severity_of(vector).base_score for vector in agreed} == agreed


@pytest.mark.parametrize(
    ("score", "rating", "vector"),
    [
        # CVSS 3.1 specification §5, table 14: the bounds of the ratings that occur.
        (0.0, "None", "CVSS:3.1/AV:N/AC:L/PR:N/UI:N/S:C/C:N/I:N/A:N"),
        (10.0, "Critical", "CVSS:3.1/AV:N/AC:L/PR:N/UI:N/S:C/C:H/I:H/A:H"),
        # The worst of the other versions, by their specifications.
        (10.0, "High", "AV:N/AC:L/Au:N/C:C/I:C/A:C"),
        (10.0, "Critical", "CVSS:4.0/AV:N/AC:L/AT:N/PR:N/UI:N/VC:H/VI:H/VA:H/SC:H/SI:H/SA:H"),
    ],
)
def test_every_version_of_cvss_is_read(score, rating, vector):
    assert severity_of(vector) == Severity(score, rating)


def test_a_temporal_metric_leaves_the_base_score_alone():
    base = "CVSS:3.1/AV:N/AC:L/PR:N/UI:N/S:U/C:H/I:N/A:N"

    assert severity_of(f"{base}/E:P/RL:O") == severity_of(base) == Severity(7.5, "High")


@pytest.mark.parametrize(
    "vector",
    [
        "",
        "high",
        "CVSS:3.1/AV:L",
        "CVSS:9.0/AV:L",
        "CVSS:3.1/AV:L/AV:L",
        "CVSS:3.1/" + "A" * 10_000,
    ],
)
def test_what_is_no_vector_is_refused_by_name(vector):
    with pytest.raises(MalformedValueError, match=r"^cvss_vector: expected a CVSS"):
        severity_of(vector)
