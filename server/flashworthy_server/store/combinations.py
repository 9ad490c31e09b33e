"""What depends only on the combination: its need, kept once for all machines of it."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Row,
    Text,
    and_,
    bindparam,
    cast,
    delete,
    exists,
    func,
    insert,
    select,
    update,
)

from flashworthy_common.makers import Combination, MachineMaker, Model
from flashworthy_common.need import RULES_VERSION as NEED_RULES
from flashworthy_common.need import Need, Observation, Standing
from flashworthy_common.values import Unknown, from_json, to_json
from flashworthy_common.versions import RULES_VERSION as VERSION_RULES
from flashworthy_common.versions import parse_version, sort_key
from flashworthy_server.counting import SEPARATOR
from flashworthy_server.dialects.many import Texts, among
from flashworthy_server.dialects.plans import unlisted
from flashworthy_server.dialects.prepared import PreparedQuery
from flashworthy_server.store.statements import add_combination, combinations_about, mark
from flashworthy_server.tables import Number, combinations, outdated_needs, summary

_KEY = (
    combinations.c.maker,
    combinations.c.model,
    combinations.c.board,
    combinations.c.board_version,
    combinations.c.version_text,
)


_MADE_BY_PRESENT_RULES = (combinations.c.version_rules == VERSION_RULES) & (
    combinations.c.need_rules == NEED_RULES
)
_COUNTED = and_(  # how many machines are of it
    summary.c.facet == "combination", summary.c.name == cast(combinations.c.id, Text)
)
_IS_OUTDATED = exists().where(outdated_needs.c.combination_id == combinations.c.id)
_COLUMNS = (
    combinations.c.id,
    cast(combinations.c.names, Text).label("names_text"),
    cast(combinations.c.need, Text).label("need_text"),
    combinations.c.package_kept,
)
_SAVE_KNOWN = update(combinations).where(combinations.c.id == bindparam("combination"))
_LOAD = PreparedQuery(
    select(*_COLUMNS, (_IS_OUTDATED | ~_MADE_BY_PRESENT_RULES).label("is_outdated")).where(
        among(combinations.c.id, "ids")
    )
)


@dataclass(frozen=True, slots=True)
class Known:
    """What people's statements make of a combination."""

    need: Need
    package_kept: bool  # an intact one of the version that it runs


@dataclass(frozen=True, slots=True)
class StoredCombination:
    id: int
    combination: Combination
    known: Known
    is_outdated: bool = False  # by something recorded since, or by other rules

    @property
    def need(self) -> Need:
        return self.known.need


def combination_id(connection: Connection, combination: Combination) -> int | None:
    """The id of a combination whose need is still right."""
    return connection.scalar(
        select(combinations.c.id).where(*_is(combination), _MADE_BY_PRESENT_RULES, ~_IS_OUTDATED)
    )


def load_combinations(
    connection: Connection, combination_ids: Iterable[int]
) -> list[StoredCombination]:
    rows = _LOAD.rows(connection, ids=list(combination_ids))
    return [_combination(row, is_outdated=row.is_outdated) for row in rows]


def save_combination(connection: Connection, combination: Combination, known: Known) -> int:
    """Add a combination, or renew one that is there; its id."""
    found = connection.scalar(select(combinations.c.id).where(*_is(combination)))
    if found is not None:
        save_known(connection, {int(found): (combination, known)})
        return int(found)
    names = {column.name: text for column, text in zip(_KEY, combination.key, strict=True)}
    added = connection.execute(
        insert(combinations)
        .values(**names, **_judged(combination, known), names=_names(combination))
        .returning(combinations.c.id)
    )
    made = int(added.scalar_one())
    add_combination(connection, made, combination)
    return made


def save_known(connection: Connection, found: Mapping[int, tuple[Combination, Known]]) -> None:
    """Keep needs that were worked out anew, by combination; they are no longer outdated."""
    rows = [{"combination": id_, **_judged(*each)} for id_, each in found.items()]
    if rows:
        connection.execute(_SAVE_KNOWN, rows)
    unmark(connection, found)


def outdated_combinations(connection: Connection, count: int) -> list[StoredCombination]:
    """At most `count` combinations whose need is outdated; those of one model together."""
    some = select(outdated_needs.c.combination_id).order_by("combination_id").limit(count)
    ids = connection.scalars(some).all()  # first, or SQLite walks through all combinations
    query = select(*_COLUMNS).where(combinations.c.id.in_(ids))
    rows = connection.execute(query.order_by(combinations.c.maker, combinations.c.model, "id"))
    return [_combination(row, is_outdated=True) for row in rows]


def count_outdated(connection: Connection) -> int:
    return int(connection.execute(select(func.count()).select_from(outdated_needs)).scalar_one())


def unmark(connection: Connection, combination_ids: Iterable[int]) -> None:
    ids = list(combination_ids)
    connection.execute(delete(outdated_needs).where(outdated_needs.c.combination_id.in_(ids)))


def mark_all_behind(connection: Connection) -> None:
    """Mark every combination that has a target as outdated, since it may have reasons."""
    behind = combinations.c.standing == Standing.BEHIND.value
    mark(connection, select(combinations.c.id).where(behind))


def mark_all_of_other_rules(connection: Connection) -> None:
    """Mark every combination whose need other rules than the present ones worked out."""
    mark(connection, select(combinations.c.id).where(~_MADE_BY_PRESENT_RULES))


@dataclass(frozen=True, slots=True)
class Glimpse:
    """What a list of combinations tells of one."""

    id: int
    combination: Combination
    standing: str
    to_be_flashed: tuple[str, ...]  # version texts
    machines: int  # in service


def glimpses(
    connection: Connection, maker: str, models: tuple[str, ...], count: int
) -> list[Glimpse]:
    """At most `count` combinations that a statement on some models may be about."""
    ids = combinations_about(connection, maker, models, count)
    in_service = (
        select(combinations.c.id, func.sum(summary.c.count).label("machines"))
        .join(summary, _COUNTED)
        .where(combinations.c.id.in_(ids))
        .group_by(combinations.c.id)
    )
    counted = {row.id: int(row.machines) for row in connection.execute(in_service)}
    rows = connection.execute(
        select(
            combinations.c.id,
            combinations.c.names,
            combinations.c.standing,
            combinations.c.need["path"].label("path"),
        ).where(combinations.c.id.in_(ids))
    )
    return [
        Glimpse(
            row.id,
            _of_names(row.names),
            row.standing,
            tuple(row.path or ())[1:],
            counted.get(row.id, 0),
        )
        for row in rows
    ]


@dataclass(frozen=True, slots=True)
class WithoutPackage:
    combination: Combination
    machines: int


def without_package(connection: Connection, count: int) -> list[WithoutPackage]:
    """Combinations of which no intact package is kept, most machines first."""
    rows = connection.execute(
        select(combinations.c.id, combinations.c.names, summary.c.count)
        .join(summary, combinations.c.id == cast(summary.c.name, Number))  # by their counts
        .where(
            summary.c.facet == "combination",
            summary.c.count > 0,
            combinations.c.package_kept.is_(False),
            combinations.c.version_key != "",
        )
        .order_by(summary.c.count.desc(), summary.c.name.desc())
        .limit(count)
    )
    ranked = sorted(rows.all(), key=lambda row: (-row[2], row[0]))
    return [WithoutPackage(_of_names(names), machine_count) for _, names, machine_count in ranked]


ModelKey = tuple[str, str, str]  # maker, model and board
VersionsHere = dict[str, list[Any]]  # by text: of each combination its machines, and since when

_MODEL = (combinations.c.maker, combinations.c.model, combinations.c.board)
_HERE = PreparedQuery(
    select(*_MODEL, combinations.c.version_text, summary.c.count, combinations.c.first_ran_at)
    .join(summary, _COUNTED)
    .where(
        among(combinations.c.maker, "makers", Texts),  # what an index finds
        among(combinations.c.model, "names", Texts),
        among(_MODEL[0] + SEPARATOR + _MODEL[1] + SEPARATOR + _MODEL[2], "models", Texts),
        combinations.c.version_text != "",
        unlisted(summary.c.count) > 0,
    )
)


def versions_here(
    connection: Connection, models: Iterable[ModelKey]
) -> dict[ModelKey, VersionsHere]:
    """What runs on the same maker, model and board here."""
    wanted = sorted(set(models))
    makers, names = ({each[place] for each in wanted} for place in (0, 1))
    rows = _HERE.rows(connection, makers=makers, names=names, models=map(SEPARATOR.join, wanted))
    found: dict[ModelKey, VersionsHere] = {}
    for maker, model, board, text, *seen in rows:
        found.setdefault((maker, model, board), {}).setdefault(text, []).append(seen)
    return found


def observation(version_text: str, here: VersionsHere) -> Observation:
    """One of the versions that run here, on boards of any version."""
    counts, firsts = zip(*here[version_text], strict=True)
    since = min(filter(None, firsts), default=None)
    return Observation(version_text=version_text, machines=sum(counts), since=since)


def note_running(connection: Connection, combination_id: int, since: datetime) -> None:
    """A machine is of this combination now, and was first seen to run it at a time."""
    first = combinations.c.first_ran_at
    connection.execute(
        update(combinations)
        .where(combinations.c.id == combination_id, first.is_(None) | (first > since))
        .values(first_ran_at=since)
    )


def _is(combination: Combination) -> list[ColumnElement[bool]]:
    return [column == text for column, text in zip(_KEY, combination.key, strict=True)]


def _judged(combination: Combination, known: Known) -> dict[str, Any]:
    need = known.need
    review, priority = need.review, need.priority
    return {
        "need": to_json(need),
        "standing": need.standing.value,
        "priority": priority.value if priority else None,
        "reviewed_at": review.reviewed_at if review else None,
        "package_kept": known.package_kept,
        "version_key": _version_key(combination),
        "version_rules": VERSION_RULES,
        "need_rules": NEED_RULES,
    }


def _version_key(combination: Combination) -> str | None:
    maker, *_, version_text = combination.key
    return sort_key(parse_version(version_text, maker=maker)) if version_text else None


def _names(combination: Combination) -> list[Any]:
    return [
        to_json(name)
        for name in (
            combination.machine_maker,
            combination.model,
            combination.board,
            combination.board_version,
            combination.version_text,
        )
    ]


def _combination(row: Row[Any], *, is_outdated: bool) -> StoredCombination:
    known = Known(_need(row.need_text), row.package_kept)
    return StoredCombination(row.id, _of_names_text(row.names_text), known, is_outdated)


# Most reports are of combinations that were met before; their texts say so in any process.
@lru_cache(maxsize=2048)
def _need(text: str) -> Need:
    return from_json(Need, json.loads(text))


@lru_cache(maxsize=2048)
def _of_names_text(text: str) -> Combination:
    return _of_names(json.loads(text))


def _of_names(names: list[Any]) -> Combination:
    maker, model, board, board_version, version_text = map(_name, names)
    return Combination(
        maker if isinstance(maker, Unknown) else MachineMaker(maker),
        model if isinstance(model, Unknown) else Model(model),
        board,
        board_version,
        version_text,
    )


def _name(data: Any) -> str | Unknown:
    return data if isinstance(data, str) else Unknown(data["unknown"])
