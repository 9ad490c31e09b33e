"""How the numbers of the overview are kept: by triggers, in the transaction of every change.

`FACETS` says once what is counted, of machines in service. From it come the triggers that add what
changed to `summary`, and the recount that `summary` is held against.

- A trigger fires for columns that a statement names: one that names only what changed costs a
  report nothing where nothing counted has changed.
- What a machine takes from its combination (standing, priority) follows when that changes, by the
  machines counted of the combination, not by looking at them.
- Writers come one after the other on every database (`dialects`), so that numbers are changed where
  they stand.
- Text of SQL, because no toolkit writes triggers: the one place where the databases differ in it.
"""

from dataclasses import dataclass

FIRST_NAME = {  # of a place, on each database
    "sqlite": "substr({0}, 1, instr({0} || ' / ', ' / ') - 1)",
    "postgresql": "split_part({0}, ' / ', 1)",
}
DAY = {"sqlite": "{0}", "postgresql": "to_char({0}, 'YYYY-MM-DD')"}  # as text
SEPARATOR = "\x1f"  # between maker and model; a control character that no name holds


@dataclass(frozen=True, slots=True)
class Facet:
    """What is counted: its name, of the machine `m` and its combination `c`, and of which."""

    facet: str
    name: str
    of: str = ""  # condition; empty: of all

    @property
    def needs_combination(self) -> bool:
        return "c." in self.name + self.of


FACETS = (
    Facet("machines", "''"),
    Facet("outcome", "coalesce(m.outcome, '')"),
    Facet("place", "coalesce(m.place, '')"),
    Facet("outermost", "{outermost}"),
    Facet("firmware_on", "coalesce({day}, '')"),
    Facet("combination", "CAST(m.combination_id AS TEXT)", "m.combination_id IS NOT NULL"),
    Facet(
        "own_priority",
        "CAST(m.combination_id AS TEXT)",
        "m.combination_id IS NOT NULL AND m.own_priority IS NOT NULL",
    ),
    Facet(
        "undecided",
        "CAST(m.combination_id AS TEXT)",
        "m.combination_id IS NOT NULL AND m.outcome = 'undecided'",
    ),
    Facet("standing", "coalesce(c.standing, '')"),
    Facet("priority", "coalesce(m.own_priority, c.priority, '')"),
    Facet("model", f"c.maker || '{SEPARATOR}' || c.model", "c.id IS NOT NULL"),
)
_COUNTED = (
    "outcome",
    "place",
    "firmware_on",
    "combination_id",
    "own_priority",
    "out_of_service_at",
)
_ADD = """
INSERT INTO summary (facet, name, count)
SELECT facet, name, sum(n) FROM ({changes}) AS changes
GROUP BY facet, name HAVING sum(n) <> 0
ON CONFLICT (facet, name) DO UPDATE SET count = summary.count + excluded.count;"""


def triggers(dialect: str) -> list[str]:
    """The statements that make the triggers, for a database of this dialect."""
    make = _ON_SQLITE if dialect == "sqlite" else _ON_POSTGRESQL
    return [
        statement.strip()
        for trigger in _triggers(dialect)
        for statement in make.format(
            name=trigger.name,
            table=trigger.table,
            event=trigger.event,
            when=trigger.when,
            add=_ADD.format(changes="\nUNION ALL ".join(trigger.changes)),
        ).split("----")
    ]


def compared(dialect: str) -> str:
    """The query of what `summary` holds too much: facet, name and n, where that is not 0."""
    parts = ["SELECT facet, name, count AS n FROM summary", *_recounted(dialect)]
    return (
        f"SELECT facet, name, sum(n) AS n FROM ({' UNION ALL '.join(parts)}) AS compared"  # noqa: S608
        " GROUP BY facet, name HAVING sum(n) <> 0 ORDER BY facet, name"
    )


def _recounted(dialect: str) -> list[str]:
    """Queries of all that `summary` should hold, taken off."""
    parts = [
        _counted(each, dialect, "-count(*)", "m", "machines m") + " GROUP BY 2" for each in FACETS
    ]
    return [*parts, _ATTENTION_RECOUNTED]


@dataclass(frozen=True, slots=True)
class _Trigger:
    name: str
    table: str
    event: str
    when: str
    changes: list[str]


_ON_SQLITE = "CREATE TRIGGER {name} AFTER {event} ON {table} WHEN {when} BEGIN{add} END"
_ON_POSTGRESQL = """
CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN
{add}
RETURN NULL; END $$
----
CREATE TRIGGER {name} AFTER {event} ON {table} FOR EACH ROW WHEN ({when})
EXECUTE FUNCTION {name}()
"""
_ATTENTION_RECOUNTED = """
SELECT 'attention', a.code, -count(*) FROM attentions a JOIN machines m ON m.id = a.machine_id
WHERE a.ended_at IS NULL AND m.out_of_service_at IS NULL GROUP BY a.code"""
_ATTENTION = """
SELECT 'attention' AS facet, NEW.code AS name,
CASE WHEN NEW.ended_at IS NULL THEN 1 ELSE -1 END AS n
WHERE (SELECT m.out_of_service_at FROM machines m WHERE m.id = NEW.machine_id) IS NULL"""
_SERVICE_ATTENTION = """
SELECT 'attention', a.code, CASE WHEN NEW.out_of_service_at IS NULL THEN 1 ELSE -1 END
FROM attentions a WHERE a.machine_id = NEW.id AND a.ended_at IS NULL
AND (NEW.out_of_service_at IS NULL) <> (OLD.out_of_service_at IS NULL)"""
_OF_COMBINATION = """
SELECT '{facet}' AS facet, {name} AS name, {sign}sum(CASE s.facet WHEN 'combination' THEN s.count
 ELSE {own} * s.count END) AS n
FROM summary s WHERE s.facet IN ('combination', 'own_priority') AND s.name = CAST(NEW.id AS TEXT)"""


def _triggers(dialect: str) -> list[_Trigger]:
    differs = "IS NOT" if dialect == "sqlite" else "IS DISTINCT FROM"
    return [
        _Trigger(
            "count_machine",
            "machines",
            "INSERT",
            "NEW.id IS NOT NULL",
            _of_machine(dialect, "NEW", "1"),
        ),
        _Trigger(
            "recount_machine",
            "machines",
            f"UPDATE OF {', '.join(_COUNTED)}",
            " OR ".join(f"OLD.{each} {differs} NEW.{each}" for each in _COUNTED),
            [
                *_of_machine(dialect, "NEW", "1"),
                *_of_machine(dialect, "OLD", "-1"),
                _SERVICE_ATTENTION,
            ],
        ),
        _Trigger(
            "recount_combination",
            "combinations",
            "UPDATE OF standing, priority",
            f"OLD.standing <> NEW.standing OR OLD.priority {differs} NEW.priority",
            [
                _OF_COMBINATION.format(facet=facet, name=name.format(row), sign=sign, own=own)
                for facet, name, own in (
                    ("standing", "{}.standing", 0),
                    ("priority", "coalesce({}.priority, '')", -1),
                )
                for row, sign in (("NEW", ""), ("OLD", "-"))
            ],
        ),
        _Trigger(
            "count_attention",
            "attentions",
            "INSERT",
            "NEW.ended_at IS NULL",
            [_ATTENTION],
        ),
        _Trigger(
            "recount_attention",
            "attentions",
            "UPDATE OF ended_at",
            "(OLD.ended_at IS NULL) <> (NEW.ended_at IS NULL)",
            [_ATTENTION],
        ),
    ]


def _of_machine(dialect: str, row: str, n: str) -> list[str]:
    return [_counted(each, dialect, n, row, "") for each in FACETS]


def _counted(facet: Facet, dialect: str, n: str, row: str, source: str) -> str:
    conditions = [f"{row}.out_of_service_at IS NULL"]
    if facet.of:
        conditions.append(_of_row(facet.of, row))
    if facet.needs_combination:
        one = "combinations c ON c.id = " + f"{row}.combination_id"
        source = f"{source or '(SELECT 1 AS one) AS alone'} LEFT JOIN {one}"
    named = f"SELECT '{facet.facet}' AS facet, {_name(facet, dialect, row)} AS name, {n} AS n"
    origin = f" FROM {source}" if source else ""
    return f"{named}{origin} WHERE {' AND '.join(conditions)}"


def _name(facet: Facet, dialect: str, row: str) -> str:
    own = {
        "{outermost}": FIRST_NAME[dialect].format("coalesce(m.place, '')"),
        "{day}": DAY[dialect].format("m.firmware_on"),
    }
    name = facet.name
    for each, text in own.items():
        name = name.replace(each, text)
    return _of_row(name, row)


def _of_row(text: str, row: str) -> str:
    return text.replace("m.", f"{row}.")
