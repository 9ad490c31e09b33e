"""What reasons are weighed by is set here: the site's inputs, advisories, known exploited holes.

Whatever changes touches only the needs that rest on it.
"""

from dataclasses import dataclass, fields, replace
from typing import Any

from flashworthy_common.errors import MalformedValueError
from flashworthy_common.kev import ExploitedCatalogue, read_exploited_catalogue
from flashworthy_common.values import from_json, read_time, to_json, write_time
from flashworthy_common.weighing import Advisory, SiteInputs
from flashworthy_server.documents import Document, Row
from flashworthy_server.errors import BadRow, BadRowsError, ConflictError
from flashworthy_server.services import audit, judgement, needs, releases
from flashworthy_server.services.needs import Progress
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import knowledge as knowledge_store
from flashworthy_server.store import weighing as store


@dataclass(frozen=True, slots=True)
class Input:
    """One of the site's inputs, for people."""

    name: str
    value: Any  # as JSON knows it
    default: Any
    source: str  # where the default comes from
    why: str


@dataclass(frozen=True, slots=True)
class Catalogue:
    """A recorded catalogue of known exploited holes."""

    version: str
    released_at: str  # RFC 3339
    count: int
    added: int = 0  # since the one before
    removed: int = 0
    named: tuple[str, ...] = ()  # those that recorded releases close


def inputs_of(site: Site) -> list[Input]:
    with site.database.reading() as connection:
        inputs = to_json(store.load_inputs(connection))
    defaults = to_json(SiteInputs())
    return [
        Input(each.name, inputs[each.name], defaults[each.name], **each.metadata)
        for each in fields(SiteInputs)
    ]


def set_inputs(site: Site, who: Who, data: Any, *, progress: Progress | None = None) -> list[Input]:
    """Set some inputs; the others stay.

    Raises:
        BadRowsError: a name or value is unknown; each is named.
    """
    now = site.clock()
    with site.database.writing() as connection:
        was = store.load_inputs(connection)
        inputs = _changed(was, data)
        if inputs != was:
            store.save_inputs(connection, inputs, now)
            before, after = to_json(was), to_json(inputs)
            audit.record(connection, who, now, "weighing.set", "site", before=before, after=after)
            needs.mark_all_behind(connection, now)
    judgement.follow(site, progress)
    return inputs_of(site)


def require_right(site: Site, data: Any) -> None:
    """Raise `BadRowsError` as `set_inputs` would, and set nothing."""
    with site.database.reading() as connection:
        _changed(store.load_inputs(connection), data)


def _changed(was: SiteInputs, data: Any) -> SiteInputs:
    if not isinstance(data, dict):
        raise BadRowsError([BadRow("", "expected an object of inputs")])
    known = {each.name for each in fields(SiteInputs)}
    bad = [BadRow("", "no input is known by this name", name) for name in data if name not in known]
    inputs = was
    for name in data.keys() & known:
        try:
            inputs = replace(inputs, **{name: getattr(_read_input(name, data[name]), name)})
        except MalformedValueError as error:
            bad.append(BadRow("", str(error).removeprefix(f"{error.path}: "), name))
    if bad:
        raise BadRowsError(sorted(bad, key=lambda each: each.field))
    return inputs


def _read_input(name: str, value: Any) -> SiteInputs:
    return from_json(SiteInputs, {name: value})


# ---- advisories -------------------------------------------------------------------------------


def record_advisory(site: Site, who: Who, data: Any) -> releases.Tally:
    """Record what is known of one advisory, in place of what was.

    Raises:
        BadRowsError: it is wrong; each field is named.
    """
    document = Document()
    document.rows["advisories"].append(Row("", None, data))
    return releases.import_document(site, who, document).advisories


def list_advisories(site: Site, *, after: str, count: int) -> tuple[list[Advisory], str | None]:
    """At most `count` advisories after an id, and the id after which the next ones follow."""
    with site.database.reading() as connection:
        found = list(store.load_advisories(connection, after=after, count=count + 1))
    shown = found[:count]
    return shown, shown[-1].id if len(found) > count else None


# ---- known exploited --------------------------------------------------------------------------


def import_exploited(
    site: Site, who: Who, data: Any, *, dry_run: bool = False, progress: Progress | None = None
) -> Catalogue:
    """Record a catalogue of known exploited holes in place of the one before.

    Raises:
        BadRowsError: it is not as published.
        ConflictError: a later one is recorded.
    """
    try:
        catalogue = read_exploited_catalogue(data)
    except MalformedValueError as error:
        says = str(error).removeprefix(f"{error.path}: ")
        raise BadRowsError([BadRow("", says, error.path)]) from error
    with site.database.reading() as connection:
        if dry_run:
            return _compared(connection, catalogue)[0]
    with site.database.writing() as connection:
        told, changed = _compared(connection, catalogue)
        before = store.load_catalogue(connection)
        after = {"version": told.version, "released_at": told.released_at, "count": told.count}
        now = site.clock()
        store.replace_exploited(connection, catalogue.vulnerabilities, after, now)
        if changed or before != after:
            audit.record(
                connection, who, now, "exploited.import", "catalogue", before=before, after=after
            )
        # The first catalogue also ends that no catalogue is recorded, which every weight tells.
        touched = changed if before else knowledge_store.advisories_named(connection)
        needs.mark_weighed(connection, touched, now)
    judgement.follow(site, progress)
    return told


def catalogue_of(site: Site) -> Catalogue | None:
    """The catalogue that is recorded; none: none is."""
    with site.database.reading() as connection:
        found = store.load_catalogue(connection)
        if found is None:
            return None
        named = store.exploited_among(connection, knowledge_store.advisories_named(connection))
    return Catalogue(**found, named=tuple(sorted(named)))


def _compared(connection: Any, catalogue: ExploitedCatalogue) -> tuple[Catalogue, frozenset[str]]:
    """The catalogue against the one before, and every id in which they differ."""
    before = store.load_catalogue(connection)
    if before and catalogue.released_at < read_time(before["released_at"], "released_at"):
        raise ConflictError(
            f"the catalogue is of {write_time(catalogue.released_at)},"
            f" and one of {before['released_at']} is recorded"
        )
    known, named = store.all_exploited(connection), knowledge_store.advisories_named(connection)
    told = Catalogue(
        version=catalogue.version,
        released_at=write_time(catalogue.released_at),
        count=len(catalogue.ids),
        added=len(catalogue.ids - known),
        removed=len(known - catalogue.ids),
        named=tuple(sorted(catalogue.ids & named)),
    )
    return told, catalogue.ids ^ known
