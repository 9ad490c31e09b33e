"""The first tables."""

import sqlalchemy as sa
from alembic import op

from flashworthy_server.tables import CleanText, UtcTime

revision = "0001"
down_revision = None


_NEVER_CHANGED = """
CREATE TRIGGER audit_{event} BEFORE {event} ON audit
BEGIN SELECT RAISE(ABORT, 'the audit trail only grows'); END
"""  # SQLite


def upgrade() -> None:
    op.create_table(
        "audit",
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("who", CleanText(), nullable=False),
        sa.Column("address", sa.Text()),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("subject", CleanText(), nullable=False),
        sa.Column("before", sa.Text(), nullable=False),
        sa.Column("after", sa.Text(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("number", name="pk_audit"),
    )
    op.create_index("ix_audit_subject_number", "audit", ["subject", "number"])
    op.create_index("ix_audit_who_number", "audit", ["who", "number"])
    for event in ("update", "delete"):
        op.execute(_NEVER_CHANGED.format(event=event))
    op.create_table(
        "combinations",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("maker", CleanText(), nullable=False),
        sa.Column("model", CleanText(), nullable=False),
        sa.Column("board", CleanText(), nullable=False),
        sa.Column("board_version", CleanText(), nullable=False),
        sa.Column("version_text", CleanText(), nullable=False),
        sa.Column("names", sa.JSON(), nullable=False),
        sa.Column("version_key", sa.Text()),
        sa.Column("rules_version", sa.Integer(), nullable=False),
        sa.Column("need", sa.JSON(), nullable=False),
        sa.Column("standing", sa.Text(), nullable=False),
        sa.Column("priority", sa.Text()),
        sa.Column("reviewed_at", UtcTime()),
        sa.PrimaryKeyConstraint("id", name="pk_combinations"),
        sa.UniqueConstraint(
            "maker",
            "model",
            "board",
            "board_version",
            "version_text",
            name="uq_combinations_maker_model_board_board_version_version_text",
        ),
    )
    op.create_table(
        "enrolment_codes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("place", CleanText()),
        sa.Column("uses_left", sa.Integer(), nullable=False),
        sa.Column("created_at", UtcTime(), nullable=False),
        sa.Column("expires_at", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_enrolment_codes"),
        sa.UniqueConstraint("digest", name="uq_enrolment_codes_digest"),
    )
    op.create_table(
        "refusals",
        sa.Column("on_date", sa.Date(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("on_date", "what", "status", name="pk_refusals"),
    )
    op.create_table(
        "releases",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("maker", CleanText(), nullable=False),
        sa.Column("version_text", CleanText(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("recorded_at", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_releases"),
    )
    op.create_index("ix_releases_maker_version_text", "releases", ["maker", "version_text"])
    op.create_table(
        "reviews",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("maker", CleanText(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("recorded_at", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_reviews"),
    )
    op.create_index("ix_reviews_maker", "reviews", ["maker"])
    op.create_table(
        "tokens",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", CleanText(), nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("created_at", UtcTime(), nullable=False),
        sa.Column("expires_at", UtcTime(), nullable=False),
        sa.Column("revoked_at", UtcTime()),
        sa.PrimaryKeyConstraint("id", name="pk_tokens"),
        sa.UniqueConstraint("digest", name="uq_tokens_digest"),
        sa.UniqueConstraint("name", name="uq_tokens_name"),
    )
    op.create_table(
        "machines",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", CleanText(), nullable=False),
        sa.Column("place", CleanText()),
        sa.Column("marked", CleanText()),
        sa.Column("agent_id", sa.Text()),
        sa.Column("token_digest", sa.Text()),
        sa.Column("enrolled_at", UtcTime(), nullable=False),
        sa.Column("report_id", sa.Text()),
        sa.Column("sequence", sa.BigInteger()),
        sa.Column("taken_at", UtcTime()),
        sa.Column("received_at", UtcTime()),
        sa.Column("clock_difference_seconds", sa.BigInteger()),
        sa.Column("report", sa.LargeBinary()),
        sa.Column("running_text", CleanText()),
        sa.Column("running_seen_at", UtcTime()),
        sa.Column("firmware_on", sa.Date()),
        sa.Column("combination_id", sa.Integer()),
        sa.Column("outcome", sa.Text()),
        sa.Column("sentence", CleanText()),
        sa.Column("holds_until", UtcTime()),
        sa.Column("rules_version", sa.Integer()),
        sa.ForeignKeyConstraint(
            ["combination_id"], ["combinations.id"], name="fk_machines_combination_id_combinations"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_machines"),
        sa.UniqueConstraint("agent_id", name="uq_machines_agent_id"),
        sa.UniqueConstraint("token_digest", name="uq_machines_token_digest"),
    )
    op.create_index("ix_machines_combination_id", "machines", ["combination_id"])
    op.create_index("ix_machines_holds_until", "machines", ["holds_until"])
    op.create_index("ix_machines_name_id", "machines", ["name", "id"])
    op.create_table(
        "attentions",
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("says", CleanText(), nullable=False),
        sa.Column("since", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_attentions_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint("machine_id", "code", name="pk_attentions"),
    )
    op.create_index("ix_attentions_code", "attentions", ["code"])
    op.create_table(
        "firmware_changes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("from_text", CleanText(), nullable=False),
        sa.Column("to_text", CleanText(), nullable=False),
        sa.Column("from_seen_at", UtcTime(), nullable=False),
        sa.Column("to_seen_at", UtcTime(), nullable=False),
        sa.Column("order", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_firmware_changes_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_firmware_changes"),
    )
    op.create_index("ix_firmware_changes_machine_id_id", "firmware_changes", ["machine_id", "id"])
    op.create_table(
        "identities",
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("value", CleanText(), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_identities_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint("machine_id", "kind", name="pk_identities"),
    )
    op.create_index("ix_identities_kind_value", "identities", ["kind", "value"])
    op.create_table(
        "reports",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("report_id", sa.Text(), nullable=False),
        sa.Column("machine_id", sa.Integer(), nullable=False),
        sa.Column("agent_id", sa.Text(), nullable=False),
        sa.Column("sequence", sa.BigInteger(), nullable=False),
        sa.Column("taken_at", UtcTime(), nullable=False),
        sa.Column("received_at", UtcTime(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("kept_as", sa.Text(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_reports_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_reports"),
        sa.UniqueConstraint("report_id", name="uq_reports_report_id"),
    )
    op.create_index("ix_reports_machine_id_id", "reports", ["machine_id", "id"])
