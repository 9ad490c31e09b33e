"""Known exploited vulnerabilities: the JSON catalogue that CISA publishes.

It says which vulnerabilities are exploited, not whom they affect: it names no versions. Read with
the quirks of the real catalogue: entries without weaknesses (`cwes`) and entries that are due
before they were added are accepted, as are keys that are not read. What is refused: a `count`
other than the number of entries, a vulnerability listed twice, an entry without its id or dates.
"""

import re
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from flashworthy_common.errors import MalformedValueError
from flashworthy_common.values import read_time

_CVE = re.compile(r"CVE-[0-9]{4}-[0-9]{4,19}", re.ASCII)  # the catalogue's own JSON schema


@dataclass(frozen=True, slots=True, kw_only=True)
class ExploitedVulnerability:
    id: str  # CVE-...
    added_on: date
    due_on: date  # for the agencies that it binds
    ransomware: bool  # known to be used so


@dataclass(frozen=True, slots=True, kw_only=True)
class ExploitedCatalogue:
    version: str
    released_at: datetime
    vulnerabilities: tuple[ExploitedVulnerability, ...]

    @property
    def ids(self) -> frozenset[str]:
        return frozenset(each.id for each in self.vulnerabilities)


def read_exploited_catalogue(data: Any) -> ExploitedCatalogue:
    """The catalogue from its decoded JSON.

    Raises:
        MalformedValueError: it is not as published; the message names the field.
    """
    if not isinstance(data, dict):
        raise MalformedValueError("document", "an object", data)
    entries = data.get("vulnerabilities")
    if not isinstance(entries, list):
        raise MalformedValueError("vulnerabilities", "a list", entries)
    count = data.get("count")
    if isinstance(count, bool) or count != len(entries):
        raise MalformedValueError("count", f"{len(entries)}, the number of entries", count)
    found = tuple(_entry(each, f"vulnerabilities[{n}]") for n, each in enumerate(entries))
    _refuse_doubles(found)
    return ExploitedCatalogue(
        version=_text(data, "catalogVersion", ""),
        released_at=read_time(data.get("dateReleased"), "dateReleased"),
        vulnerabilities=found,
    )


def _entry(data: Any, path: str) -> ExploitedVulnerability:
    if not isinstance(data, dict):
        raise MalformedValueError(path, "an object", data)
    id_ = _text(data, "cveID", path)
    if not _CVE.fullmatch(id_):
        raise MalformedValueError(f"{path}.cveID", "an id such as CVE-2026-12345", id_)
    return ExploitedVulnerability(
        id=id_,
        added_on=_date(data, "dateAdded", path),
        due_on=_date(data, "dueDate", path),
        ransomware=data.get("knownRansomwareCampaignUse") == "Known",
    )


def _refuse_doubles(entries: tuple[ExploitedVulnerability, ...]) -> None:
    seen: set[str] = set()
    for position, entry in enumerate(entries):
        if entry.id in seen:
            path = f"vulnerabilities[{position}].cveID"
            raise MalformedValueError(path, "an id that is not listed yet", entry.id)
        seen.add(entry.id)


def _text(data: dict[str, Any], name: str, path: str) -> str:
    value = data.get(name)
    if not isinstance(value, str) or not value.strip():
        raise MalformedValueError(f"{path}.{name}".lstrip("."), "a text", value)
    return value


def _date(data: dict[str, Any], name: str, path: str) -> date:
    try:
        return date.fromisoformat(_text(data, name, path))
    except ValueError:
        raise MalformedValueError(
            f"{path}.{name}", "a date such as 2026-05-04", data[name]
        ) from None
