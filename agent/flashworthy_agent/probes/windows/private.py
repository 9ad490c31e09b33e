"""What of Windows' raw answers is nobody else's business. No key is ever asked for."""

import re
from collections.abc import Iterator

from flashworthy_agent.probes.inputs import Answer, Question
from flashworthy_agent.probes.windows.software import RENAMES
from flashworthy_agent.probes.windows.structures import SessionInformation, read, text
from flashworthy_common.errors import SmbiosError
from flashworthy_common.smbios import specimen_names, unwrap_firmware_table

# The names of this machine's volumes, and the ids of its protectors; not those of what it knows by
# a GUID as all machines do.
_VOLUMES = re.compile(rb"Volume\{([0-9a-fA-F-]{36})\}")
_PROTECTORS = re.compile(rb'"id":"\{([0-9a-fA-F-]{36})\}"')


def withheld(question: Question, answer: Answer) -> Answer:
    """Files that wait to be replaced are counted only, and their names may tell of documents."""
    kind, *about = question
    if kind == "registry value" and about[-1] == RENAMES and isinstance(answer[1], list):
        return [answer[0], ["withheld" if name else "" for name in answer[1]]]
    return answer


def personal(question: Question, answer: Answer) -> Iterator[str]:
    kind, *about = question
    if kind == "firmware table":
        yield from _specimens(answer)
    if kind == "sessions":
        for _, octets in answer:
            if one := read(SessionInformation, octets):
                yield from (text(one.user_name), text(one.domain))
    if kind == "registry value" and about[-1] == "ComputerName":
        yield str(answer[1])
    if kind == "script":
        for found in (*_VOLUMES.findall(answer[1]), *_PROTECTORS.findall(answer[1])):
            yield found.decode("ascii")


def _specimens(table: bytes) -> tuple[str, ...]:
    try:
        return specimen_names(unwrap_firmware_table(table)[1])
    except SmbiosError:
        return ()
