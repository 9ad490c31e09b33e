"""A report as it is written: to a file, to the spool, to the server."""

import json
import re

from flashworthy_common.report import Report, report_to_json

_LONE_SURROGATE = re.compile("[\ud800-\udfff]")  # what Python makes of file names outside UTF-8


def encode_report(report: Report) -> str:
    """The report as JSON that is valid UTF-8 whatever the machine's texts hold."""
    text = json.dumps(report_to_json(report), ensure_ascii=False, indent=1)
    return _LONE_SURROGATE.sub("\ufffd", text)
