"""What the agent's dataclasses write is what the server's schema reads."""

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashworthy_common.report import SECTIONS, Report, report_to_json, unknown_section
from flashworthy_server.errors import InvalidReportError
from flashworthy_server.wire import EnvelopeSchema, messages_by_field, read_report
from support.machines import a_desktop, a_report

REPORTS = {
    "a fit portable": a_report(),
    "a desktop with a UPS": a_desktop().report,
    "nothing but an envelope": Report(
        **{
            field.name: getattr(a_report(), field.name)
            for field in dataclasses.fields(Report)
            if field.name not in SECTIONS
        }
    ),
    "every section unknown": dataclasses.replace(
        a_report(),
        **{name: unknown_section(kind, "no permission") for name, kind in SECTIONS.items()},
    ),
}


@pytest.mark.parametrize("name", REPORTS)
def test_a_report_comes_out_of_the_wire_as_it_went_in(name):
    read = read_report(report_to_json(REPORTS[name]))

    assert read.report == REPORTS[name]
    assert read.problems == ()


def test_the_schema_and_the_report_have_the_same_fields():
    fields = {field.name for field in dataclasses.fields(Report)}

    assert set(EnvelopeSchema().fields) | set(SECTIONS) == fields | {"wire"}


@pytest.mark.parametrize("uptime", [-1, "long", 1.5, None, []])
def test_a_malformed_uptime_is_unknown_and_no_refusal(uptime):
    read = read_report(report_to_json(a_report()) | {"uptime_seconds": uptime})

    assert read.report.uptime_seconds.because.startswith("malformed: uptime_seconds: expected")
    assert len(read.problems) == 1


ENVELOPE = {
    name: value for name, value in report_to_json(a_report()).items() if name not in SECTIONS
}
ODD_VALUES = st.one_of(
    st.sampled_from(
        [None, True, False, 0, 1, 2, -1, 1.0, 1.5, 2**53 - 1, 2**53, 2**64, "", [], {}]
    ),
    st.sampled_from(["agent", "Agent", "schedule", "spot", "2026-05-04T10:00:00Z", "2026-05-04"]),
    st.sampled_from([str(value).upper() for value in ENVELOPE.values()]),
    st.sampled_from(list(ENVELOPE.values())),
    st.uuids(version=4).map(str),
    st.text(max_size=5),
)


NAMES = st.sampled_from(sorted(ENVELOPE))


@given(st.dictionaries(NAMES, ODD_VALUES), st.sets(NAMES))
def test_a_report_is_refused_for_what_the_schema_says_and_for_nothing_else(odd, missing):
    data = {name: value for name, value in (ENVELOPE | odd).items() if name not in missing}
    wrong = EnvelopeSchema().validate(data)

    try:
        read_report(data)
    except InvalidReportError as error:
        refused = error.fields
    else:
        refused = {}

    assert refused == messages_by_field(wrong)


def test_messages_name_the_path_of_their_field():
    nested = {"a": {"b": ["wrong"], 0: {"c": ["missing"]}}, "_schema": ["no object"]}

    assert messages_by_field(nested) == {
        "a.b": ["wrong"],
        "a.0.c": ["missing"],
        "body": ["no object"],
    }
