"""Every table, as SQLAlchemy Core metadata; the migrations build exactly this.

- What a machine is now stands in one row of `machines`, with few indexes: they drive the cost of
  a report and of judging again.
- What depends only on the combination (standing, need, priority) stands once, in `combinations`.
- `reports`, `firmware_changes`, `reviews` and `audit` only grow.
- Codes and tokens are kept as SHA-256 digests: they are long random values, so that no slow hash
  is needed, and a stolen database opens nothing.
- Bodies are zlib-compressed JSON. A report that says nearly what the one before said is kept as
  what differs from a body of the same machine and month (`store.packing`).
- A machine's reports are numbered by its own row, so that history needs no counter of its own and
  can be split by month; `report_ids` keeps their ids unique over all months and machines.
"""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Date,
    DateTime,
    Dialect,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
    Uuid,
    text,
)
from sqlalchemy.types import TypeEngine

from flashworthy_common.values import write_time

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)


# Whole numbers have 64 bits everywhere, as SQLite keeps them.
Number = BigInteger().with_variant(Integer(), "sqlite")


class UtcTime(TypeDecorator[datetime]):
    """An aware time, kept in UTC; SQLite, which knows none, gets a text that sorts by time.

    The text is what `flashworthy_common.values.write_time` writes, without the Z: so one with a
    fraction comes after the whole second, and files take it as it stands. It is written and read
    here: through the library's own two layers of conversion, times were a fifteenth of what a
    report costs.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def bind_processor(self, dialect: Dialect) -> Any:
        return _written_time if dialect.name == "sqlite" else super().bind_processor(dialect)

    def result_processor(self, dialect: Dialect, coltype: Any) -> Any:
        if dialect.name == "sqlite":
            return _read_time
        return super().result_processor(dialect, coltype)

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        return None if value is None else value.astimezone(UTC)


def _written_time(value: datetime | None) -> str | None:
    return None if value is None else write_time(value)[:-1]


def _read_time(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(f"{text}+00:00")


class Id(TypeDecorator[str]):
    """A UUID as its text; sixteen bytes in the database."""

    impl = LargeBinary
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        is_native = dialect.name == "postgresql"
        return dialect.type_descriptor(Uuid(as_uuid=False) if is_native else LargeBinary())

    def process_bind_param(self, value: str | None, dialect: Dialect) -> Any:
        if value is None or dialect.name == "postgresql":
            return value
        return bytes.fromhex(value.replace("-", ""))

    def process_result_value(self, value: Any, dialect: Dialect) -> str | None:
        if value is None or isinstance(value, str):
            return value
        text: str = value.hex()  # at a third of the price of making a UUID first
        return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"


class CleanText(TypeDecorator[str]):
    """Text from outside, without what databases refuse: NUL and lone surrogates become U+FFFD."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:
        return None if value is None else clean_text(value)


def clean_text(text: str) -> str:
    """Text without what databases refuse."""
    if text.isascii() and "\x00" not in text:
        return text
    whole = text.encode("utf-16", "surrogatepass").decode("utf-16", "replace")
    return whole.replace("\x00", "\ufffd")


def _where(condition: str) -> dict[str, Any]:
    """Only these rows have an entry in the index."""
    return {"sqlite_where": text(condition), "postgresql_where": text(condition)}


# Append-only: the migration adds what makes the database refuse a change.
audit = Table(
    "audit",
    metadata,
    Column("number", Number, primary_key=True, autoincrement=False),
    Column("at", UtcTime, nullable=False),
    Column("who", CleanText, nullable=False),
    Column("address", Text),  # none at the terminal
    Column("action", Text, nullable=False),
    Column("subject", CleanText, nullable=False),
    Column("before", Text, nullable=False),  # canonical JSON, as `after`
    Column("after", Text, nullable=False),
    Column("digest", Text, nullable=False),
    Index(None, "who", "number"),
    Index(None, "subject", "number"),
)

accounts = Table(
    "accounts",
    metadata,
    Column("id", Number, primary_key=True),
    Column("name", CleanText, nullable=False),  # as it is shown
    Column("key", CleanText, nullable=False, unique=True),  # the name as it is compared
    Column("role", Text, nullable=False),
    Column("created_at", UtcTime, nullable=False),
    Column("disabled_at", UtcTime),
    Column("password_hash", Text),  # argon2id; none: not set up yet
    Column("setup_digest", Text),  # of the code that lets a password be set, once
    Column("setup_expires_at", UtcTime),
    # The second factor: base32, as authenticators take it; no hash could be used to check a code.
    Column("totp_secret", Text),
    Column("totp_pending", Text),  # shown, and not confirmed by a code yet
    Column("totp_step", Number),  # the last time step that was used; none before it is older
)

recovery_codes = Table(
    "recovery_codes",
    metadata,
    Column("account_id", ForeignKey("accounts.id"), nullable=False),
    Column("digest", Text, nullable=False),
    PrimaryKeyConstraint("account_id", "digest"),
)

sessions = Table(
    "sessions",
    metadata,
    Column("id", Number, primary_key=True),
    Column("digest", Text, nullable=False, unique=True),
    Column("account_id", ForeignKey("accounts.id"), nullable=False),
    Column("created_at", UtcTime, nullable=False),
    Column("used_at", UtcTime, nullable=False),  # to the minute
    Column("proven_at", UtcTime, nullable=False),  # when the password was given last
    Column("address", Text),
    Column("browser", CleanText, nullable=False),
    Index(None, "account_id"),
)

sign_in_tries = Table(
    "sign_in_tries",
    metadata,
    Column("what", Text, primary_key=True),  # an address, an account, or one from the other
    Column("since", UtcTime, nullable=False),
    Column("count", Number, nullable=False),
)

tokens = Table(
    "tokens",
    metadata,
    Column("id", Number, primary_key=True),
    Column("name", CleanText, nullable=False, unique=True),
    Column("account_id", ForeignKey("accounts.id")),  # whose it is; none: a program's
    Column("digest", Text, nullable=False, unique=True),
    Column("role", Text, nullable=False),
    Column("created_at", UtcTime, nullable=False),
    Column("expires_at", UtcTime, nullable=False),
    Column("revoked_at", UtcTime),
    Column("used_at", UtcTime),  # to the minute; none: never
)

enrolment_codes = Table(
    "enrolment_codes",
    metadata,
    Column("id", Number, primary_key=True),
    Column("digest", Text, nullable=False, unique=True),
    Column("place", CleanText),
    Column("uses", Number, nullable=False),
    Column("uses_left", Number, nullable=False),
    Column("created_at", UtcTime, nullable=False),
    Column("created_by", CleanText, nullable=False),
    Column("expires_at", UtcTime, nullable=False),
    Column("revoked_at", UtcTime),
)

combinations = Table(
    "combinations",
    metadata,
    Column("id", Number, primary_key=True),
    # The key of the combination: an unknown name is an empty text.
    Column("maker", CleanText, nullable=False),
    Column("model", CleanText, nullable=False),
    Column("board", CleanText, nullable=False),
    Column("board_version", CleanText, nullable=False),
    Column("version_text", CleanText, nullable=False),
    Column("names", JSON, nullable=False),  # the five names, each a text or why it is unknown
    Column("version_key", Text),  # sorts within one scheme and line; none where unreadable
    Column("version_rules", Number, nullable=False),  # that made the version key
    Column("need_rules", Number, nullable=False),  # that made the need
    Column("need", JSON, nullable=False),
    Column("standing", Text, nullable=False),
    Column("priority", Text),  # none without a reason
    Column("reviewed_at", UtcTime),  # none: nobody has compared this combination
    Column("package_kept", Boolean, nullable=False),  # an intact one of the running version
    Column("first_ran_at", UtcTime),  # when a machine was first seen to run it
    UniqueConstraint("maker", "model", "board", "board_version", "version_text"),
    Index(None, "model"),
    Index(None, "standing"),
    Index(None, "priority"),
)

combination_names = Table(
    "combination_names",
    metadata,
    Column("maker", CleanText, nullable=False),
    Column("start", CleanText, nullable=False),
    Column("name", CleanText, nullable=False),  # folded
    Column("combination_id", ForeignKey("combinations.id"), nullable=False),
    PrimaryKeyConstraint("maker", "start", "name", "combination_id"),
)

# Combinations whose need is no longer right: it is worked out anew when someone asks for it.
outdated_needs = Table(
    "outdated_needs",
    metadata,
    Column("combination_id", ForeignKey("combinations.id"), primary_key=True),
)

# Machines whose verdicts new knowledge or new limits may have changed, not one by one: those of a
# combination, or those in a place. They are judged in the order of name and id.
due_groups = Table(
    "due_groups",
    metadata,
    Column("id", Number, primary_key=True),
    Column("combination_id", ForeignKey("combinations.id"), unique=True),  # none: of a place
    Column("place", CleanText),  # and all in it; none beside no combination: the whole site
    Column("after_name", CleanText, nullable=False),  # of the last machine that is done
    Column("after_id", Number, nullable=False),
)

# How far judging them again is, while there is any to judge: one row.
judging = Table(
    "judging",
    metadata,
    Column("id", Number, primary_key=True, autoincrement=False),  # 1
    Column("since", UtcTime, nullable=False),  # what was recorded before holds everywhere
    Column("total", Number, nullable=False),  # verdicts
    Column("done", Number, nullable=False),
)

machines = Table(
    "machines",
    metadata,
    Column("id", Number, primary_key=True),
    Column("name", CleanText, nullable=False),
    Column("place", CleanText),
    Column("place_by", Text),  # see services.machines.PlaceBy; none where no place is known
    Column("out_of_service_at", UtcTime),  # none: in service
    Column("marked", CleanText),  # why it is life-safety equipment; none: not marked
    Column("agent_id", Text, unique=True),  # of its current agent; none: it has no agent
    Column("token_digest", Text, unique=True),
    Column("token_made_at", UtcTime),
    Column("old_token_digest", Text, unique=True),  # good until the new one is used
    Column("enrolled_at", UtcTime, nullable=False),
    # The newest report, and what is read from it; none before the first.
    Column("report_id", Id),
    Column("report_number", Number, nullable=False, default=0),  # of the last one in `reports`
    Column("sequence", Number),  # of the current agent
    Column("taken_at", UtcTime),
    Column("received_at", UtcTime),
    Column("address", Text),  # that it came from; none: carried by hand, or a person's word
    Column("clock_difference_seconds", Number),  # server's minus machine's; none: unknown
    Column("report", LargeBinary),  # what differs from the machine's body in `whole_bodies`
    Column("running_text", CleanText),  # the last firmware version that could be read, and when
    Column("running_seen_at", UtcTime),
    Column("running_since", UtcTime),  # when it was first seen to run this version
    Column("firmware_on", Date),  # the release date that the firmware states; none: unreadable
    Column("combination_id", ForeignKey("combinations.id")),
    # The judgement at the desk.
    Column("outcome", Text),
    Column("sentence", CleanText),
    Column("holds_until", UtcTime),  # none: until something new is known
    Column("due_at", UtcTime),  # when verdict or attention may change by time alone; none: never
    Column("rules_version", Number),  # of the judgement
    Column("own_priority", Text),  # where a fault that it shows raises its combination's
    # Whether a symptom, exception, board dump or confirmation was ever recorded of this one alone.
    Column("has_own_facts", Boolean, nullable=False, default=False),
    # The flash that its reports are held against, and when silence after it is an alarm.
    Column("flash_id", Number),  # in `flashes`; none: none was started of late
    Column("flash_alarm_at", UtcTime),  # none: nothing is waited for
    # Also holds what a text is looked for in, so that no row is read in vain.
    Index("ix_machines_by_name", "name", "id", "out_of_service_at", "place", "combination_id"),
    Index("ix_machines_by_combination", "combination_id", "out_of_service_at", "name", "id"),
    Index("ix_machines_by_outcome", "outcome", "out_of_service_at", "name", "id"),
    Index("ix_machines_by_place", "place", "out_of_service_at", "name", "id"),
    Index("ix_machines_by_firmware_on", "firmware_on", "out_of_service_at", "name", "id"),
    Index(
        "ix_machines_out",
        *("out_of_service_at", "name", "id"),
        **_where("out_of_service_at IS NOT NULL"),
    ),
    Index("ix_machines_own_priority", "own_priority", **_where("own_priority IS NOT NULL")),
    Index(None, "due_at"),
    Index("ix_machines_flash_alarm_at", "flash_alarm_at", **_where("flash_alarm_at IS NOT NULL")),
)

# The numbers of the overview, of machines in service; the database's triggers keep them right
# (`counting`).
summary = Table(
    "summary",
    metadata,
    Column("facet", Text, nullable=False),
    Column("name", CleanText, nullable=False),
    Column("count", Number, nullable=False),
    PrimaryKeyConstraint("facet", "name"),
    Index(None, "facet", "count", "name"),
    sqlite_with_rowid=False,
)

identities = Table(
    "identities",
    metadata,
    Column("machine_id", ForeignKey("machines.id"), nullable=False),
    Column("kind", Text, nullable=False),
    Column("value", CleanText, nullable=False),
    PrimaryKeyConstraint("machine_id", "kind"),
    Index(None, "kind", "value"),
)

attentions = Table(
    "attentions",
    metadata,
    Column("machine_id", ForeignKey("machines.id"), nullable=False),
    Column("code", Text, nullable=False),
    Column("says", CleanText, nullable=False),
    Column("first_seen_at", UtcTime, nullable=False),
    Column("since", UtcTime, nullable=False),  # without a break
    Column("ended_at", UtcTime),  # none: it asks now
    PrimaryKeyConstraint("machine_id", "code"),
    Index("ix_attentions_asking", "code", "machine_id", **_where("ended_at IS NULL")),
)

# The body that a machine's reports of one month are held against; rewritten when it serves no more.
whole_bodies = Table(
    "whole_bodies",
    metadata,
    Column("machine_id", ForeignKey("machines.id"), primary_key=True, autoincrement=False),
    Column("number", Number, nullable=False),  # of the report that it came with
    Column("received_at", UtcTime, nullable=False),
    Column("body", LargeBinary, nullable=False),
)

# On PostgreSQL split by the month of `received_at`, which is part of the primary key there.
reports = Table(
    "reports",
    metadata,
    Column("machine_id", ForeignKey("machines.id"), nullable=False),
    Column("number", Number, nullable=False),  # counts up per machine, in the order of arrival
    Column("report_id", Id, nullable=False),
    Column("agent_id", Id, nullable=False),
    Column("sequence", Number, nullable=False),
    Column("taken_at", UtcTime, nullable=False),
    Column("received_at", UtcTime, nullable=False),
    Column("source", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("kept_as", Text, nullable=False),  # see services.ingest.KeptAs
    Column("whole", Number),  # number of the report whose body this one is held against; none: own
    Column("body", LargeBinary, nullable=False),
    PrimaryKeyConstraint("machine_id", "number"),
)

report_ids = Table(
    "report_ids",
    metadata,
    Column("report_id", Id, primary_key=True),
    Column("machine_id", ForeignKey("machines.id"), nullable=False),
    Column("number", Number, nullable=False),
    sqlite_with_rowid=False,  # the key is the table: one tree less to write
)

firmware_changes = Table(
    "firmware_changes",
    metadata,
    Column("id", Number, primary_key=True),
    Column("machine_id", ForeignKey("machines.id"), nullable=False),
    Column("from_text", CleanText, nullable=False),
    Column("to_text", CleanText, nullable=False),
    Column("from_seen_at", UtcTime, nullable=False),
    Column("to_seen_at", UtcTime, nullable=False),
    Column("order", Text, nullable=False),  # how the later version stands to the earlier one
    Column("flash_id", Number),  # that it came of, in `flashes`; none: nobody planned it
    Index(None, "machine_id", "id"),
)

releases = Table(
    "releases",
    metadata,
    Column("id", Number, primary_key=True),
    Column("maker", CleanText, nullable=False),  # canonical
    Column("version_text", CleanText, nullable=False),
    Column("state", Text, nullable=False),
    Column("facts", JSON, nullable=False),
    Column("recorded_at", UtcTime, nullable=False),
    Index(None, "maker", "version_text"),
)

release_advisories = Table(
    "release_advisories",
    metadata,
    Column("advisory", CleanText, nullable=False),
    Column("release_id", ForeignKey("releases.id"), nullable=False),
    PrimaryKeyConstraint("advisory", "release_id"),
    Index(None, "release_id"),
)

reviews = Table(
    "reviews",
    metadata,
    Column("id", Number, primary_key=True),
    Column("maker", CleanText, nullable=False),  # canonical
    Column("facts", JSON, nullable=False),
    Column("recorded_at", UtcTime, nullable=False),
    Index(None, "maker"),
)

exceptions = Table(
    "exceptions",
    metadata,
    Column("id", Number, primary_key=True),
    Column("maker", CleanText, nullable=False),  # canonical
    Column("until", Date, nullable=False),
    Column("facts", JSON, nullable=False),
    Column("recorded_at", UtcTime, nullable=False),
    Column("ended_at", UtcTime),  # early, by a person; none: it ends by itself
)

exception_machines = Table(
    "exception_machines",
    metadata,
    Column("machine_id", ForeignKey("machines.id"), nullable=False),
    Column("exception_id", ForeignKey("exceptions.id"), nullable=False),
    PrimaryKeyConstraint("machine_id", "exception_id"),
)

statement_names = Table(
    "statement_names",
    metadata,
    Column("kind", Text, nullable=False),  # release, review, exception or package
    Column("maker", CleanText, nullable=False),
    Column("start", CleanText, nullable=False),
    Column("name", CleanText, nullable=False),  # folded, or a star for a pattern
    Column("statement_id", Number, nullable=False),  # in the table of its kind
    PrimaryKeyConstraint("maker", "start", "name", "kind", "statement_id"),
    Index(None, "kind", "statement_id"),
)

advisories = Table(
    "advisories",
    metadata,
    Column("id", CleanText, primary_key=True),
    Column("facts", JSON, nullable=False),
    Column("recorded_at", UtcTime, nullable=False),
)

exploited = Table(
    "exploited",
    metadata,
    Column("id", Text, primary_key=True),  # CVE-...
    Column("added_on", Date, nullable=False),
    Column("due_on", Date, nullable=False),
    Column("ransomware", Boolean, nullable=False),
)

# What the site has one of: `weighing`, `exploited`, `place-rules`.
settings = Table(
    "settings",
    metadata,
    Column("name", Text, primary_key=True),
    Column("value", JSON, nullable=False),
    Column("set_at", UtcTime, nullable=False),
)

symptoms = Table(
    "symptoms",
    metadata,
    Column("id", Number, primary_key=True),
    Column("machine_id", ForeignKey("machines.id"), nullable=False),
    Column("says", CleanText, nullable=False),
    Column("recorded_by", CleanText, nullable=False),
    Column("recorded_at", UtcTime, nullable=False),
    Column("ended_at", UtcTime),  # when someone said that it is no longer seen
    Index(None, "machine_id", "id"),
)

package_files = Table(
    "package_files",
    metadata,
    Column("sha256", Text, primary_key=True),  # hex
    Column("size_bytes", Number, nullable=False),
    Column("verified_at", UtcTime, nullable=False),
    Column("damage", CleanText),  # what is wrong with the file; none: it was intact then
)

packages = Table(
    "packages",
    metadata,
    Column("id", Number, primary_key=True),
    Column("sha256", ForeignKey("package_files.sha256"), nullable=False),
    Column("maker", CleanText, nullable=False),  # canonical
    Column("facts", JSON, nullable=False),
    Column("machine_id", ForeignKey("machines.id")),  # a read-out of its board; none: a maker's
    Column("file_name", CleanText, nullable=False),
    Column("source", CleanText, nullable=False),
    Column("published_digest", Text),  # as its maker published it; none: it did not
    Column("kept_by", CleanText, nullable=False),
    Column("kept_at", UtcTime, nullable=False),
    Index(None, "sha256"),
    Index(None, "machine_id"),
)

confirmations = Table(
    "confirmations",
    metadata,
    Column("id", Number, primary_key=True),
    Column("machine_id", ForeignKey("machines.id"), nullable=False),
    Column("what", Text, nullable=False),
    Column("of", CleanText, nullable=False),
    Column("by", CleanText, nullable=False),
    Column("at", UtcTime, nullable=False),
    Column("withdrawn_at", UtcTime),  # none: it stands, as long as policy believes it
    Index(None, "machine_id", "id"),
)

flashes = Table(
    "flashes",
    metadata,
    Column("id", Number, primary_key=True),
    Column("machine_id", ForeignKey("machines.id"), nullable=False),
    Column("from_text", CleanText, nullable=False),
    Column("to_text", CleanText, nullable=False),
    Column("target_text", CleanText, nullable=False),
    Column("by", CleanText, nullable=False),
    Column("started_at", UtcTime, nullable=False),
    Column("minutes", Number, nullable=False),  # that it was expected to take
    Column("done_at", UtcTime),  # when a person said so
    Column("outcome", Text, nullable=False),  # of the verdict on the spot at that moment
    Column("before", LargeBinary, nullable=False),  # the last report before it
    Column("result", Text),  # none: nothing came of it yet
    Column("says", CleanText),  # without a result: why it was given up
    Column("closed_at", UtcTime),  # none: it is still watched
    Index(None, "machine_id", "id"),
    Index(None, "closed_at"),
)

visits = Table(
    "visits",
    metadata,
    Column("id", Number, primary_key=True),
    Column("place", CleanText),  # none: several, or not known
    Column("begins_at", UtcTime, nullable=False),
    Column("ends_at", UtcTime, nullable=False),
    Column("technician_id", ForeignKey("accounts.id"), nullable=False),
    Column("remark", CleanText, nullable=False),
    Column("minutes", Number, nullable=False),  # that it was planned to take, with its margin
    Column("from_visit", Number),  # whose left-over machines it has; none: of none
    Column("planned_by", CleanText, nullable=False),
    Column("planned_at", UtcTime, nullable=False),
    Column("changed_at", UtcTime, nullable=False),  # window, technician, machines, or the end
    Column("revision", Number, nullable=False),  # counts the changes, from 0; RFC 5545 §3.8.7.4
    Column("sent_key", Text, nullable=False, unique=True),  # of the form: twice makes no second
    Column("ended_at", UtcTime),  # none: it is open
    Column("ended_by", CleanText),  # none: all its machines were decided
    Column("ended_because", CleanText),
    Column("called_off", Boolean, nullable=False, default=False),
    Index(None, "begins_at", "id"),
    Index(None, "technician_id", "begins_at"),
    Index(None, "ended_at"),
)

visit_machines = Table(
    "visit_machines",
    metadata,
    Column("visit_id", ForeignKey("visits.id"), nullable=False),
    Column("machine_id", ForeignKey("machines.id"), nullable=False),
    Column("position", Number, nullable=False),  # in the order in which they are looked after
    Column("minutes", Number, nullable=False),
    Column("from_text", CleanText),  # what it ran when it was planned; none: not known
    Column("target_text", CleanText),  # that it should get; none: none then
    Column("outcome", Text),  # foreseen; when the visit ended, that of then; none: no report yet
    PrimaryKeyConstraint("visit_id", "machine_id"),
    Index(None, "machine_id"),
)

# What people noted during a visit; only grows.
visit_notes = Table(
    "visit_notes",
    metadata,
    Column("id", Number, primary_key=True),
    Column("visit_id", ForeignKey("visits.id"), nullable=False),
    Column("machine_id", ForeignKey("machines.id")),  # none: of the visit as a whole
    Column("what", Text, nullable=False),  # see services.visits.Noted
    Column("says", CleanText, nullable=False),
    Column("by", CleanText, nullable=False),
    Column("at", UtcTime, nullable=False),
    Column("flash_id", Number),  # that was started, in `flashes`
    Column("sent_key", Text, nullable=False, unique=True),
    Index(None, "visit_id", "id"),
    Index(None, "machine_id", "id"),
)

# Who may read a technician's visits as a calendar, by an address that nobody can guess.
calendars = Table(
    "calendars",
    metadata,
    Column("account_id", ForeignKey("accounts.id"), primary_key=True),
    Column("digest", Text, nullable=False, unique=True),
    Column("made_at", UtcTime, nullable=False),
)

# Versions of a site's limits; the newest of a place holds there.
policies = Table(
    "policies",
    metadata,
    Column("id", Number, primary_key=True),
    Column("place", CleanText),  # none: the whole site
    Column("limits", Text, nullable=False),  # canonical JSON: only what is set otherwise
    Column("set_by", CleanText, nullable=False),
    Column("set_at", UtcTime, nullable=False),
    Index(None, "place", "id"),
)

acknowledgements = Table(
    "acknowledgements",
    metadata,
    Column("machine_id", ForeignKey("machines.id"), nullable=False),
    Column("code", Text, nullable=False),
    Column("by", CleanText, nullable=False),
    Column("at", UtcTime, nullable=False),
    Column("reason", CleanText, nullable=False),
    Column("until", Date, nullable=False),
    PrimaryKeyConstraint("machine_id", "code"),
)

# Long work that somebody asked for: it can be left and returned to, and survives a restart.
jobs = Table(
    "jobs",
    metadata,
    Column("id", Number, primary_key=True),
    Column("kind", Text, nullable=False),  # see services.long_work
    Column("about", CleanText, nullable=False),  # in a few words, such as a file's name
    Column("given", JSON, nullable=False),  # what it works from
    Column("input", LargeBinary),  # a file that came with it, zlib-compressed
    Column("asked_by", CleanText, nullable=False),  # as the audit trail names them
    Column("who", JSON, nullable=False),  # the same, as services.jobs reads it
    Column("asked_at", UtcTime, nullable=False),
    Column("follows", Number, unique=True),  # the job whose result it carries out
    Column("state", Text, nullable=False),  # see services.jobs.State
    Column("tries", Number, nullable=False),
    Column("held_by", Text),  # who works at it
    Column("held_until", UtcTime),  # then another may begin it anew
    Column("part", CleanText, nullable=False),  # of what so many of so many are done
    Column("done", Number, nullable=False),
    Column("total", Number, nullable=False),
    Column("ended_at", UtcTime),
    Column("result", JSON, nullable=False),  # what came of it
    Column("output", LargeBinary),  # a file that came of it, zlib-compressed
    Index(None, "state", "id"),
)

# How the site stood at the end of each day; today's row is the last look of the background work.
daily_counts = Table(
    "daily_counts",
    metadata,
    Column("on_date", Date, primary_key=True),  # in UTC
    Column("counts", JSON, nullable=False),
)

refusals = Table(
    "refusals",
    metadata,
    Column("on_date", Date, nullable=False),  # in UTC
    Column("what", Text, nullable=False),  # method and route, such as "POST /api/v1/reports"
    Column("status", Number, nullable=False),
    Column("count", Number, nullable=False),
    PrimaryKeyConstraint("on_date", "what", "status"),
)
