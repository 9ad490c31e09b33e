"""Every table, as SQLAlchemy Core metadata; the migrations build exactly this.

- What a machine is now stands in one row of `machines`, with few indexes: they drive the cost of
  a report and of judging again.
- What depends only on the combination (standing, need, priority) stands once, in `combinations`.
- `reports`, `firmware_changes`, `reviews` and `audit` only grow.
- Codes and tokens are kept as SHA-256 digests: they are long random values, so that no slow hash
  is needed, and a stolen database opens nothing.
- Bodies are zlib-compressed JSON.
"""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
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
)

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)


class UtcTime(TypeDecorator[datetime]):
    """An aware time, kept in UTC; databases without time zones get it without one."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        return None if value is None else value.replace(tzinfo=UTC)


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


# Append-only: the migration adds what makes the database refuse a change.
audit = Table(
    "audit",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=False),
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

tokens = Table(
    "tokens",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", CleanText, nullable=False, unique=True),
    Column("digest", Text, nullable=False, unique=True),
    Column("role", Text, nullable=False),
    Column("created_at", UtcTime, nullable=False),
    Column("expires_at", UtcTime, nullable=False),
    Column("revoked_at", UtcTime),
)

enrolment_codes = Table(
    "enrolment_codes",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("digest", Text, nullable=False, unique=True),
    Column("place", CleanText),
    Column("uses_left", Integer, nullable=False),
    Column("created_at", UtcTime, nullable=False),
    Column("expires_at", UtcTime, nullable=False),
)

combinations = Table(
    "combinations",
    metadata,
    Column("id", Integer, primary_key=True),
    # The key of the combination: an unknown name is an empty text.
    Column("maker", CleanText, nullable=False),
    Column("model", CleanText, nullable=False),
    Column("board", CleanText, nullable=False),
    Column("board_version", CleanText, nullable=False),
    Column("version_text", CleanText, nullable=False),
    Column("names", JSON, nullable=False),  # the five names, each a text or why it is unknown
    Column("version_key", Text),  # sorts within one scheme and line; none where unreadable
    Column("rules_version", Integer, nullable=False),  # of version key and need
    Column("need", JSON, nullable=False),
    Column("standing", Text, nullable=False),
    Column("priority", Text),  # none without a reason
    Column("reviewed_at", UtcTime),  # none: nobody has compared this combination
    UniqueConstraint("maker", "model", "board", "board_version", "version_text"),
)

machines = Table(
    "machines",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", CleanText, nullable=False),
    Column("place", CleanText),
    Column("marked", CleanText),  # why it is life-safety equipment; none: not marked
    Column("agent_id", Text, unique=True),  # of its current agent; none: it has no agent
    Column("token_digest", Text, unique=True),
    Column("enrolled_at", UtcTime, nullable=False),
    # The newest report, and what is read from it; none before the first.
    Column("report_id", Text),
    Column("sequence", BigInteger),  # of the current agent
    Column("taken_at", UtcTime),
    Column("received_at", UtcTime),
    Column("clock_difference_seconds", BigInteger),  # server's minus machine's; none: unknown
    Column("report", LargeBinary),
    Column("running_text", CleanText),  # the last firmware version that could be read, and when
    Column("running_seen_at", UtcTime),
    Column("firmware_on", Date),  # the release date that the firmware states; none: unreadable
    Column("combination_id", ForeignKey("combinations.id")),
    # The judgement at the desk.
    Column("outcome", Text),
    Column("sentence", CleanText),
    Column("holds_until", UtcTime),  # none: until something new is known
    Column("rules_version", Integer),  # of the judgement
    Index(None, "name", "id"),
    Index(None, "combination_id"),
    Index(None, "holds_until"),
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
    Column("since", UtcTime, nullable=False),
    PrimaryKeyConstraint("machine_id", "code"),
    Index(None, "code"),
)

reports = Table(
    "reports",
    metadata,
    Column("id", Integer, primary_key=True),  # in the order of arrival
    Column("report_id", Text, nullable=False, unique=True),
    Column("machine_id", ForeignKey("machines.id"), nullable=False),
    Column("agent_id", Text, nullable=False),
    Column("sequence", BigInteger, nullable=False),
    Column("taken_at", UtcTime, nullable=False),
    Column("received_at", UtcTime, nullable=False),
    Column("source", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("kept_as", Text, nullable=False),  # see services.ingest.KeptAs
    Column("body", LargeBinary, nullable=False),
    Index(None, "machine_id", "id"),
)

firmware_changes = Table(
    "firmware_changes",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("machine_id", ForeignKey("machines.id"), nullable=False),
    Column("from_text", CleanText, nullable=False),
    Column("to_text", CleanText, nullable=False),
    Column("from_seen_at", UtcTime, nullable=False),
    Column("to_seen_at", UtcTime, nullable=False),
    Column("order", Text, nullable=False),  # how the later version stands to the earlier one
    Index(None, "machine_id", "id"),
)

releases = Table(
    "releases",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("maker", CleanText, nullable=False),  # canonical
    Column("version_text", CleanText, nullable=False),
    Column("facts", JSON, nullable=False),
    Column("recorded_at", UtcTime, nullable=False),
    Index(None, "maker", "version_text"),
)

reviews = Table(
    "reviews",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("maker", CleanText, nullable=False),  # canonical
    Column("facts", JSON, nullable=False),
    Column("recorded_at", UtcTime, nullable=False),
    Index(None, "maker"),
)

refusals = Table(
    "refusals",
    metadata,
    Column("on_date", Date, nullable=False),  # in UTC
    Column("what", Text, nullable=False),  # method and route, such as "POST /api/v1/reports"
    Column("status", Integer, nullable=False),
    Column("count", Integer, nullable=False),
    PrimaryKeyConstraint("on_date", "what", "status"),
)
