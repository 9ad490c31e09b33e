"""JSON is read alike, whichever of two readers takes it; the standard library is the reference."""

import json
from dataclasses import asdict

import pytest

from flashworthy_common.report import report_to_json
from flashworthy_server import json_text
from flashworthy_server.services.ingest import Receipt
from support.machines import a_report

TEXTS = {
    "a report": json.dumps(report_to_json(a_report())),
    "beyond ASCII": '{"name": "Käthe 棚"}',
    "an escape": r'"\u00e4\n\ud83d\udd27"',
    "half a pair of UTF-16": r'{"hostname": "front\udcffdesk"}',  # as a file system may name it
    "the same key twice": '{"a": 1, "a": 2}',
    "numbers": "[0, -0, 1.5, 1E2, 9007199254740993, 18446744073709551615, -9223372036854775808]",
    "a number that no float holds": "[1e400]",
}


@pytest.mark.parametrize("name", TEXTS)
def test_a_text_is_read_as_the_standard_library_reads_it(name):
    assert json_text.loads(TEXTS[name].encode()) == json.loads(TEXTS[name])


# RFC 8259: §6 has no NaN or Infinity, §7 wants control characters escaped, §2 has no trailing comma
@pytest.mark.parametrize("text", ["NaN", "[Infinity]", '"a\tb"', "[1,]", "", "{} {}", "\ufeff{}"])
def test_what_is_no_json_is_refused(text):
    with pytest.raises(ValueError, match=r"."):
        json_text.loads(text)


def test_what_is_nested_too_deep_is_refused_as_such():
    with pytest.raises(RecursionError):
        json_text.loads("[" * 100_000)


def test_a_dataclass_is_written_by_its_fields():
    receipt = Receipt("0198c2f0-0000-7000-8000-000000000001", 5, True)

    assert json.loads(json_text.dumps(receipt)) == asdict(receipt)
