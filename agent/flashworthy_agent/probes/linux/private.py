"""What of Linux's raw answers is nobody else's business: keys and passwords, and who and what.

- Of the configuration of `upsmon` the names and passwords are taken out, of a LUKS header all that
  has to do with keys, of those who hold off a shutdown their reasons: what is left reads the same,
  but for the ids that are made of it.
"""

import json
import re
from collections.abc import Iterator

from flashworthy_agent.probes.inputs import Answer, Question
from flashworthy_agent.probes.linux import luks
from flashworthy_agent.probes.linux.smbios import TABLES_FOLDER
from flashworthy_agent.probes.linux.ups import MONITOR_FILES
from flashworthy_agent.probes.linux.utmp import PATH as LOGONS
from flashworthy_agent.probes.linux.utmp import parse_logons
from flashworthy_common.ids import uuid_text
from flashworthy_common.smbios import specimen_names

# upsmon.conf(5): MONITOR SYSTEM VALUE USER PASSWORD TYPE
_MONITOR = re.compile(rb"^(\s*MONITOR\s+\S+\s+\S+)[^\r\n]*", re.MULTILINE)
_COMMENT = re.compile(rb"#[^\r\n]*")
# What udev noted of a drive, `loginctl` of a session, and a UPS of itself.
_LABELLED = re.compile(
    rb"^(?:E:ID_\w*(?:SERIAL|WWN|UUID)\w*=|Name=|VAR \S+ \S*serial\S* )\"?([^\"\r\n]+)",
    re.MULTILINE,
)
_LUKS_UUID = re.compile(rb"(?<=-)[0-9a-f]{32}(?=-|$)")  # in the device mapper's name for a layer
_LONGEST_REFUSAL = 80  # bytes of an answer that is not understood: as many as its reason shows
_ATA_PAGE = "/vpd_pg89"
_ATA_SERIAL = slice(60 + 2 * 10, 60 + 2 * 20)  # words 10 to 19 of IDENTIFY DEVICE, ACS-4 §7.13


def withheld(question: Question, answer: Answer) -> Answer:
    kind, *about = question
    if kind == "head":
        return luks.without_keys(answer)
    if kind == "file" and about[0] in MONITOR_FILES:
        return _COMMENT.sub(b"#", _MONITOR.sub(rb"\1 withheld withheld secondary", answer))
    if kind == "program" and about[0] == "busctl":
        status, output, complaint = answer
        return [status, _without_reasons(output), complaint]
    return answer


def _without_reasons(listed: bytes) -> bytes:
    """The list of who holds off a shutdown without why, which may name a document."""
    try:
        (found,) = json.loads(listed)["data"]
        kept = [[what, who, "withheld", *more] for what, who, _, *more in found]
    except (ValueError, LookupError, TypeError, RecursionError):
        return listed[:_LONGEST_REFUSAL]
    return json.dumps({"data": [kept]}).encode()


def personal(question: Question, answer: Answer) -> Iterator[str]:
    kind, *about = question
    path = str(about[0]) if about else ""
    if kind in ("file", "program", "UPS"):
        for text in answer if isinstance(answer, list) else [answer]:
            octets = text.encode() if isinstance(text, str) else text
            if isinstance(octets, bytes):
                yield from (found.decode("utf-8", "replace") for found in _LABELLED.findall(octets))
    if kind == "file" and path.endswith("/dm/uuid"):
        for found in _LUKS_UUID.finditer(answer):
            yield uuid_text(bytes.fromhex(found[0].decode()))
    if kind == "file" and path == f"{TABLES_FOLDER}/DMI":
        yield from specimen_names(answer)
    if kind == "file" and path == LOGONS:
        for logon in parse_logons(answer):
            yield from (logon.user, logon.host)
    if kind == "file" and path.endswith(_ATA_PAGE):
        yield _unswapped(answer[_ATA_SERIAL])


def _unswapped(octets: bytes) -> str:
    swapped = bytearray(octets)
    swapped[::2], swapped[1::2] = octets[1::2], octets[::2]
    return swapped.decode("ascii", "replace").strip(" \0")
