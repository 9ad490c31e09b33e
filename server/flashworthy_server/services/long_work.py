"""What jobs do: every kind of long work, and how it is asked for.

What is small is done at once, while its page is waited for; the rest in the background.
"""

import json
from collections.abc import Iterable, Iterator
from typing import Any, TypeVar

from flashworthy_common.releases import Release
from flashworthy_common.values import from_json, to_json
from flashworthy_server.documents import (
    Document,
    decoded,
    document_of,
    lines_of_rows,
    read_csv,
    write_csv,
)
from flashworthy_server.errors import ConflictError, ForbiddenError
from flashworthy_server.services import jobs, packages, policies, releases, touch, weighing
from flashworthy_server.services.jobs import Result, StoredJob, Task, Work
from flashworthy_server.services.needs import Progress
from flashworthy_server.services.releases import Imported, ReleaseFilters
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.wire import parse_json, require_bounded

T = TypeVar("T")

COMPARE_DOCUMENT = "document.compare"
RECORD_DOCUMENT = "document.record"
RECORD_CATALOGUE = "catalogue.record"
COMPARE_POLICY = "policy.compare"
SET_WEIGHING = "weighing.set"
EXPORT_RELEASES = "releases.export"
VERIFY_PACKAGES = "packages.verify"

SMALL_BYTES = 32 * 1024  # of a document: some twenty releases
SMALL_MACHINES = 100  # judged twice in about a tenth of a second
MOST_CHANGES = 100  # of a document, shown
FORMATS = {"csv": "text/csv; charset=utf-8", "json": "application/json"}


# ---- asking -----------------------------------------------------------------------------------


def compare_document(site: Site, who: Who, name: str, content: bytes) -> int:
    """Ask what an import would change; the job's id. Nothing of it is recorded.

    Args:
        name: of the file; CSV where it ends so, else JSON.
    """
    return _start(
        site, who, COMPARE_DOCUMENT, name, content=content, at_once=len(content) <= SMALL_BYTES
    )


def record_document(site: Site, who: Who, compared: StoredJob) -> int:
    """Ask to record what was compared, unless that was asked for already; the job's id.

    Raises:
        ConflictError: it was not found to be right.
    """
    if compared.kind != COMPARE_DOCUMENT or compared.state != jobs.State.DONE.value:
        raise ConflictError(f"job #{compared.id} shows nothing that could be recorded")
    if compared.asked_by != str(who):
        raise ForbiddenError(f"job #{compared.id} is somebody else's: only they may record it")
    given, is_small = {"digest": compared.result["digest"]}, compared.result["bytes"] <= SMALL_BYTES
    return _start(
        site, who, RECORD_DOCUMENT, compared.about, given, follows=compared.id, at_once=is_small
    )


def record_catalogue(site: Site, who: Who, name: str, content: bytes) -> int:
    """Ask to record a catalogue of exploited holes; the job's id."""
    at_once = len(content) <= SMALL_BYTES
    return _start(site, who, RECORD_CATALOGUE, name, content=content, at_once=at_once)


def compare_policy(site: Site, who: Who, place: str | None, data: dict[str, Any]) -> int:
    """Ask which verdicts limits would change; the job's id. Nothing is set.

    Raises:
        InvalidInputError: a value is not what its limit takes.
    """
    proposed = policies.propose(site, place, data)
    at_once = policies.machines_within(site, proposed.place, SMALL_MACHINES + 1) <= SMALL_MACHINES
    about = f"policy of {proposed.place}" if proposed.place else "policy"
    return _start(site, who, COMPARE_POLICY, about, to_json(proposed), at_once=at_once)


def set_weighing(site: Site, who: Who, data: dict[str, Any]) -> int:
    """Ask to weigh by other inputs; the job's id.

    Raises:
        BadRowsError: a value is not what its input takes.
    """
    weighing.require_right(site, data)
    at_once = policies.machines_within(site, None, SMALL_MACHINES + 1) <= SMALL_MACHINES
    return _start(site, who, SET_WEIGHING, "how reasons are weighed", data, at_once=at_once)


def export_releases(site: Site, who: Who, format_: str) -> int:
    """Ask for a file of all releases, in one of `FORMATS`; the job's id."""
    return _start(site, who, EXPORT_RELEASES, f"releases.{format_}", {"format": format_})


def verify_packages(site: Site, who: Who) -> int:
    """Ask to read every kept file through its digest; the job's id."""
    return _start(site, who, VERIFY_PACKAGES, "all kept files")


def _start(
    site: Site,
    who: Who,
    kind: str,
    about: str,
    given: Any = None,
    *,
    content: bytes | None = None,
    follows: int | None = None,
    at_once: bool = False,
) -> int:
    job_id = jobs.start(site, who, kind, about, given, content=content, follows=follows)
    if at_once:
        jobs.run(site, WORKS, job_id)
    return job_id


# ---- doing ------------------------------------------------------------------------------------


def _compare_document(task: Task) -> Result:
    content = task.content()
    document = _document(task, content)
    imported = releases.import_document(task.site, task.who, document, dry_run=True)
    told = _told(imported)
    _add_machines(task, document, told["changes"])
    return Result(told | {"digest": imported.digest, "bytes": len(content)})


def _record_document(task: Task) -> Result:
    document, expected = _document(task, task.content()), task.job.given["digest"]
    imported = releases.import_document(
        task.site, task.who, document, progress=task.progress, expected=expected
    )
    return Result(_told(imported))


def _record_catalogue(task: Task) -> Result:
    data = _json(task.site, decoded(task.content()))
    told = weighing.import_exploited(task.site, task.who, data, progress=task.progress)
    return Result(to_json(told))


def _compare_policy(task: Task) -> Result:
    proposed = policies.Proposed(**task.job.given)
    return Result(to_json(policies.effect_of(task.site, proposed, task.progress)))


def _set_weighing(task: Task) -> Result:
    inputs = weighing.set_inputs(task.site, task.who, task.job.given, progress=task.progress)
    return Result([to_json(each) for each in inputs])


def _export_releases(task: Task) -> Result:
    format_ = task.job.given["format"]
    if format_ == "json":
        text = json.dumps(releases.export_document(task.site), ensure_ascii=False, indent=1)
        return Result(_file(f"releases.{format_}"), text.encode())
    found = releases.all_releases(task.site, ReleaseFilters())
    counted = _counted(found, releases.count_releases(task.site), task.progress)
    lines = write_csv(each.release for each in counted)
    return Result(_file(f"releases.{format_}"), "".join(lines).encode())


def _verify_packages(task: Task) -> Result:
    found = packages.verify_all(task.site, task.progress)
    unknown = [path.name for path in found.unknown_files]
    return Result({"intact": found.intact, "damaged": found.damaged, "unknown_files": unknown})


WORKS: dict[str, Work] = {
    COMPARE_DOCUMENT: _compare_document,
    RECORD_DOCUMENT: _record_document,
    RECORD_CATALOGUE: _record_catalogue,
    COMPARE_POLICY: _compare_policy,
    SET_WEIGHING: _set_weighing,
    EXPORT_RELEASES: _export_releases,
    VERIFY_PACKAGES: _verify_packages,
}


# ---- documents --------------------------------------------------------------------------------


def _document(task: Task, content: bytes) -> Document:
    """CSV where the file's name says so, JSON otherwise."""
    text = decoded(content)
    if task.job.about.casefold().endswith(".csv"):
        return read_csv(text)
    return document_of(_json(task.site, text), lines_of_rows(text))


def _json(site: Site, text: str) -> Any:
    data, config = parse_json(text), site.config
    require_bounded(data, depth=config.json_depth, values=config.import_values)
    return data


def _told(imported: Imported) -> dict[str, Any]:
    """What an import does, as far as it is kept: how much of each kind, and the first changes."""
    shown = imported.changes[:MOST_CHANGES]
    kinds = ("releases", "reviews", "advisories")
    return {
        "tallies": {kind: to_json(getattr(imported, kind)) for kind in kinds},
        "changes": [to_json(each) for each in shown],
        "more": len(imported.changes) - len(shown),
    }


def _add_machines(task: Task, document: Document, changes: list[dict[str, Any]]) -> None:
    """Tell of each release that would change how many machines in service it is about."""
    rows = {row.position: row.data for row in document.rows["releases"]}
    for number, change in enumerate(changes, 1):
        if change["kind"] == "release":
            release = from_json(Release, rows[change["position"]])
            change["machines"] = touch.reach_of(task.site, release).machines
        task.progress("changes", number, len(changes))


def _file(name: str) -> dict[str, str]:
    return {"file_name": name, "content_type": FORMATS[name.rpartition(".")[2]]}


def _counted(found: Iterable[T], total: int, progress: Progress) -> Iterator[T]:
    for number, each in enumerate(found, 1):
        progress("releases", number, max(number, total))
        yield each
