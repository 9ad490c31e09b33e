"""A report of whatever machine a capture is of."""

from pathlib import Path

from flashworthy_agent.capture import read_capture, replaying
from flashworthy_agent.collect import look, make_report
from flashworthy_agent.probes import platform_named
from flashworthy_agent.state import new_state
from flashworthy_common.report import Report, Source, Why


def replayed(file: Path) -> Report:
    """Under an agent id of its own.

    Raises:
        CaptureError: `file` holds no capture.
    """
    capture = read_capture(file.read_bytes())
    findings = look(replaying(capture), platform_named(capture.head.platform))
    return make_report(findings, new_state(sequence=1), source=Source.FILE, why=Why.BY_HAND)
