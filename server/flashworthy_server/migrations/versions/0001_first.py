"""The first tables."""

from typing import Any

import sqlalchemy as sa
from alembic import op

from flashworthy_server.counting import triggers
from flashworthy_server.dialects import Dialect, dialect_of
from flashworthy_server.tables import CleanText, Id, Number, UtcTime

revision = "0001"
down_revision = None


def _where(condition: str) -> dict[str, Any]:
    return {"sqlite_where": sa.text(condition), "postgresql_where": sa.text(condition)}


def upgrade() -> None:
    dialect = dialect_of(op.get_bind().engine.url)
    op.create_table(
        "audit",
        sa.Column("number", Number, autoincrement=False, nullable=False),
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
    op.create_table(
        "accounts",
        sa.Column("id", Number, nullable=False),
        sa.Column("name", CleanText(), nullable=False),
        sa.Column("key", CleanText(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("created_at", UtcTime(), nullable=False),
        sa.Column("disabled_at", UtcTime()),
        sa.Column("password_hash", sa.Text()),
        sa.Column("setup_digest", sa.Text()),
        sa.Column("setup_expires_at", UtcTime()),
        sa.Column("totp_secret", sa.Text()),
        sa.Column("totp_pending", sa.Text()),
        sa.Column("totp_step", Number),
        sa.PrimaryKeyConstraint("id", name="pk_accounts"),
        sa.UniqueConstraint("key", name="uq_accounts_key"),
    )
    op.create_table(
        "recovery_codes",
        sa.Column("account_id", Number, nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name="fk_recovery_codes_account_id_accounts"
        ),
        sa.PrimaryKeyConstraint("account_id", "digest", name="pk_recovery_codes"),
    )
    op.create_table(
        "sessions",
        sa.Column("id", Number, nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("account_id", Number, nullable=False),
        sa.Column("created_at", UtcTime(), nullable=False),
        sa.Column("used_at", UtcTime(), nullable=False),
        sa.Column("proven_at", UtcTime(), nullable=False),
        sa.Column("address", sa.Text()),
        sa.Column("browser", CleanText(), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name="fk_sessions_account_id_accounts"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_sessions"),
        sa.UniqueConstraint("digest", name="uq_sessions_digest"),
    )
    op.create_index("ix_sessions_account_id", "sessions", ["account_id"])
    op.create_table(
        "sign_in_tries",
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("since", UtcTime(), nullable=False),
        sa.Column("count", Number, nullable=False),
        sa.PrimaryKeyConstraint("what", name="pk_sign_in_tries"),
    )
    op.create_index("ix_audit_subject_number", "audit", ["subject", "number"])
    op.create_index("ix_audit_who_number", "audit", ["who", "number"])
    dialect.keep_growing_only(op.get_bind(), "audit", "the audit trail only grows")
    op.create_table(
        "combinations",
        sa.Column("id", Number, nullable=False),
        sa.Column("maker", CleanText(), nullable=False),
        sa.Column("model", CleanText(), nullable=False),
        sa.Column("board", CleanText(), nullable=False),
        sa.Column("board_version", CleanText(), nullable=False),
        sa.Column("version_text", CleanText(), nullable=False),
        sa.Column("names", sa.JSON(), nullable=False),
        sa.Column("version_key", sa.Text()),
        sa.Column("version_rules", Number, nullable=False),
        sa.Column("need_rules", Number, nullable=False),
        sa.Column("need", sa.JSON(), nullable=False),
        sa.Column("standing", sa.Text(), nullable=False),
        sa.Column("priority", sa.Text()),
        sa.Column("reviewed_at", UtcTime()),
        sa.Column("package_kept", sa.Boolean(), nullable=False),
        sa.Column("first_ran_at", UtcTime()),
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
    for name in ("model", "priority", "standing"):
        op.create_index(f"ix_combinations_{name}", "combinations", [name])
    op.create_table(
        "enrolment_codes",
        sa.Column("id", Number, nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("place", CleanText()),
        sa.Column("uses", Number, nullable=False),
        sa.Column("uses_left", Number, nullable=False),
        sa.Column("created_at", UtcTime(), nullable=False),
        sa.Column("created_by", CleanText(), nullable=False),
        sa.Column("expires_at", UtcTime(), nullable=False),
        sa.Column("revoked_at", UtcTime()),
        sa.PrimaryKeyConstraint("id", name="pk_enrolment_codes"),
        sa.UniqueConstraint("digest", name="uq_enrolment_codes_digest"),
    )
    op.create_table(
        "daily_counts",
        sa.Column("on_date", sa.Date(), nullable=False),
        sa.Column("counts", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("on_date", name="pk_daily_counts"),
    )
    op.create_table(
        "refusals",
        sa.Column("on_date", sa.Date(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("status", Number, nullable=False),
        sa.Column("count", Number, nullable=False),
        sa.PrimaryKeyConstraint("on_date", "what", "status", name="pk_refusals"),
    )
    op.create_table(
        "releases",
        sa.Column("id", Number, nullable=False),
        sa.Column("maker", CleanText(), nullable=False),
        sa.Column("version_text", CleanText(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("recorded_at", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_releases"),
    )
    op.create_index("ix_releases_maker_version_text", "releases", ["maker", "version_text"])
    op.create_table(
        "reviews",
        sa.Column("id", Number, nullable=False),
        sa.Column("maker", CleanText(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("recorded_at", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_reviews"),
    )
    op.create_index("ix_reviews_maker", "reviews", ["maker"])
    op.create_table(
        "tokens",
        sa.Column("id", Number, nullable=False),
        sa.Column("name", CleanText(), nullable=False),
        sa.Column("account_id", Number),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("created_at", UtcTime(), nullable=False),
        sa.Column("expires_at", UtcTime(), nullable=False),
        sa.Column("revoked_at", UtcTime()),
        sa.Column("used_at", UtcTime()),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name="fk_tokens_account_id_accounts"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_tokens"),
        sa.UniqueConstraint("digest", name="uq_tokens_digest"),
        sa.UniqueConstraint("name", name="uq_tokens_name"),
    )
    op.create_table(
        "machines",
        sa.Column("id", Number, nullable=False),
        sa.Column("name", CleanText(), nullable=False),
        sa.Column("place", CleanText()),
        sa.Column("place_by", sa.Text()),
        sa.Column("out_of_service_at", UtcTime()),
        sa.Column("marked", CleanText()),
        sa.Column("agent_id", sa.Text()),
        sa.Column("token_digest", sa.Text()),
        sa.Column("token_made_at", UtcTime()),
        sa.Column("old_token_digest", sa.Text()),
        sa.Column("enrolled_at", UtcTime(), nullable=False),
        sa.Column("report_id", Id()),
        sa.Column("report_number", Number, nullable=False),
        sa.Column("sequence", Number),
        sa.Column("taken_at", UtcTime()),
        sa.Column("received_at", UtcTime()),
        sa.Column("address", sa.Text()),
        sa.Column("clock_difference_seconds", Number),
        sa.Column("report", sa.LargeBinary()),
        sa.Column("running_text", CleanText()),
        sa.Column("running_seen_at", UtcTime()),
        sa.Column("running_since", UtcTime()),
        sa.Column("firmware_on", sa.Date()),
        sa.Column("combination_id", Number),
        sa.Column("outcome", sa.Text()),
        sa.Column("sentence", CleanText()),
        sa.Column("holds_until", UtcTime()),
        sa.Column("due_at", UtcTime()),
        sa.Column("rules_version", Number),
        sa.Column("own_priority", sa.Text()),
        sa.Column("has_own_facts", sa.Boolean(), nullable=False),
        sa.Column("flash_id", Number),
        sa.Column("flash_alarm_at", UtcTime()),
        sa.ForeignKeyConstraint(
            ["combination_id"], ["combinations.id"], name="fk_machines_combination_id_combinations"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_machines"),
        sa.UniqueConstraint("agent_id", name="uq_machines_agent_id"),
        sa.UniqueConstraint("token_digest", name="uq_machines_token_digest"),
        sa.UniqueConstraint("old_token_digest", name="uq_machines_old_token_digest"),
    )
    op.create_index("ix_machines_due_at", "machines", ["due_at"])
    op.create_index(
        "ix_machines_flash_alarm_at",
        "machines",
        ["flash_alarm_at"],
        **_where("flash_alarm_at IS NOT NULL"),
    )
    op.create_index(
        "ix_machines_by_name",
        "machines",
        ["name", "id", "out_of_service_at", "place", "combination_id"],
    )
    for name, first in (
        ("combination", "combination_id"),
        ("outcome", "outcome"),
        ("place", "place"),
        ("firmware_on", "firmware_on"),
    ):
        op.create_index(
            f"ix_machines_by_{name}", "machines", [first, "out_of_service_at", "name", "id"]
        )
    op.create_index(
        "ix_machines_out",
        "machines",
        ["out_of_service_at", "name", "id"],
        **_where("out_of_service_at IS NOT NULL"),
    )
    op.create_index(
        "ix_machines_own_priority",
        "machines",
        ["own_priority"],
        **_where("own_priority IS NOT NULL"),
    )
    op.create_table(
        "attentions",
        sa.Column("machine_id", Number, nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("says", CleanText(), nullable=False),
        sa.Column("first_seen_at", UtcTime(), nullable=False),
        sa.Column("since", UtcTime(), nullable=False),
        sa.Column("ended_at", UtcTime()),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_attentions_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint("machine_id", "code", name="pk_attentions"),
    )
    op.create_index(
        "ix_attentions_asking", "attentions", ["code", "machine_id"], **_where("ended_at IS NULL")
    )
    op.create_table(
        "firmware_changes",
        sa.Column("id", Number, nullable=False),
        sa.Column("machine_id", Number, nullable=False),
        sa.Column("from_text", CleanText(), nullable=False),
        sa.Column("to_text", CleanText(), nullable=False),
        sa.Column("from_seen_at", UtcTime(), nullable=False),
        sa.Column("to_seen_at", UtcTime(), nullable=False),
        sa.Column("order", sa.Text(), nullable=False),
        sa.Column("flash_id", Number),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_firmware_changes_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_firmware_changes"),
    )
    op.create_index("ix_firmware_changes_machine_id_id", "firmware_changes", ["machine_id", "id"])
    op.create_table(
        "identities",
        sa.Column("machine_id", Number, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("value", CleanText(), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_identities_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint("machine_id", "kind", name="pk_identities"),
    )
    op.create_index("ix_identities_kind_value", "identities", ["kind", "value"])
    _create_history(dialect)
    _create_knowledge()
    _create_packages()
    _create_work()


def _create_history(dialect: Dialect) -> None:
    op.create_table(
        "whole_bodies",
        sa.Column("machine_id", Number, autoincrement=False, nullable=False),
        sa.Column("number", Number, nullable=False),
        sa.Column("received_at", UtcTime(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_whole_bodies_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint("machine_id", name="pk_whole_bodies"),
    )
    op.create_table(
        "reports",
        sa.Column("machine_id", Number, nullable=False),
        sa.Column("number", Number, nullable=False),
        sa.Column("report_id", Id(), nullable=False),
        sa.Column("agent_id", Id(), nullable=False),
        sa.Column("sequence", Number, nullable=False),
        sa.Column("taken_at", UtcTime(), nullable=False),
        sa.Column("received_at", UtcTime(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("kept_as", sa.Text(), nullable=False),
        sa.Column("whole", Number),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_reports_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint(*dialect.history_key, name="pk_reports"),
        postgresql_partition_by="RANGE (received_at)",
    )
    op.create_table(
        "report_ids",
        sa.Column("report_id", Id(), nullable=False),
        sa.Column("machine_id", Number, nullable=False),
        sa.Column("number", Number, nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_report_ids_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint("report_id", name="pk_report_ids"),
        sqlite_with_rowid=False,
        postgresql_partition_by="RANGE (report_id)",
    )
    dialect.split_history(op.get_bind())


def _create_knowledge() -> None:
    """What people record beside releases and reviews, and how it finds its combinations."""
    op.create_table(
        "combination_names",
        sa.Column("maker", CleanText(), nullable=False),
        sa.Column("start", CleanText(), nullable=False),
        sa.Column("name", CleanText(), nullable=False),
        sa.Column("combination_id", Number, nullable=False),
        sa.ForeignKeyConstraint(
            ["combination_id"],
            ["combinations.id"],
            name="fk_combination_names_combination_id_combinations",
        ),
        sa.PrimaryKeyConstraint(
            "maker", "start", "name", "combination_id", name="pk_combination_names"
        ),
    )
    op.create_table(
        "outdated_needs",
        sa.Column("combination_id", Number, nullable=False),
        sa.ForeignKeyConstraint(
            ["combination_id"],
            ["combinations.id"],
            name="fk_outdated_needs_combination_id_combinations",
        ),
        sa.PrimaryKeyConstraint("combination_id", name="pk_outdated_needs"),
    )
    op.create_table(
        "due_groups",
        sa.Column("id", Number, nullable=False),
        sa.Column("combination_id", Number),
        sa.Column("place", CleanText()),
        sa.Column("after_name", CleanText(), nullable=False),
        sa.Column("after_id", Number, nullable=False),
        sa.ForeignKeyConstraint(
            ["combination_id"],
            ["combinations.id"],
            name="fk_due_groups_combination_id_combinations",
        ),
        sa.PrimaryKeyConstraint("id", name="pk_due_groups"),
        sa.UniqueConstraint("combination_id", name="uq_due_groups_combination_id"),
    )
    op.create_table(
        "judging",
        sa.Column("id", Number, autoincrement=False, nullable=False),
        sa.Column("since", UtcTime(), nullable=False),
        sa.Column("total", Number, nullable=False),
        sa.Column("done", Number, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_judging"),
    )
    op.create_table(
        "release_advisories",
        sa.Column("advisory", CleanText(), nullable=False),
        sa.Column("release_id", Number, nullable=False),
        sa.ForeignKeyConstraint(
            ["release_id"], ["releases.id"], name="fk_release_advisories_release_id_releases"
        ),
        sa.PrimaryKeyConstraint("advisory", "release_id", name="pk_release_advisories"),
    )
    op.create_index("ix_release_advisories_release_id", "release_advisories", ["release_id"])
    op.create_table(
        "exceptions",
        sa.Column("id", Number, nullable=False),
        sa.Column("maker", CleanText(), nullable=False),
        sa.Column("until", sa.Date(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("recorded_at", UtcTime(), nullable=False),
        sa.Column("ended_at", UtcTime()),
        sa.PrimaryKeyConstraint("id", name="pk_exceptions"),
    )
    op.create_table(
        "exception_machines",
        sa.Column("machine_id", Number, nullable=False),
        sa.Column("exception_id", Number, nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_exception_machines_machine_id_machines"
        ),
        sa.ForeignKeyConstraint(
            ["exception_id"],
            ["exceptions.id"],
            name="fk_exception_machines_exception_id_exceptions",
        ),
        sa.PrimaryKeyConstraint("machine_id", "exception_id", name="pk_exception_machines"),
    )
    op.create_table(
        "statement_names",
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("maker", CleanText(), nullable=False),
        sa.Column("start", CleanText(), nullable=False),
        sa.Column("name", CleanText(), nullable=False),
        sa.Column("statement_id", Number, nullable=False),
        sa.PrimaryKeyConstraint(
            "maker", "start", "name", "kind", "statement_id", name="pk_statement_names"
        ),
    )
    op.create_index(
        "ix_statement_names_kind_statement_id", "statement_names", ["kind", "statement_id"]
    )
    op.create_table(
        "advisories",
        sa.Column("id", CleanText(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("recorded_at", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_advisories"),
    )
    op.create_table(
        "exploited",
        sa.Column("id", sa.Text(), nullable=False),
        sa.Column("added_on", sa.Date(), nullable=False),
        sa.Column("due_on", sa.Date(), nullable=False),
        sa.Column("ransomware", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_exploited"),
    )
    op.create_table(
        "settings",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.JSON(), nullable=False),
        sa.Column("set_at", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_settings"),
    )
    op.create_table(
        "symptoms",
        sa.Column("id", Number, nullable=False),
        sa.Column("machine_id", Number, nullable=False),
        sa.Column("says", CleanText(), nullable=False),
        sa.Column("recorded_by", CleanText(), nullable=False),
        sa.Column("recorded_at", UtcTime(), nullable=False),
        sa.Column("ended_at", UtcTime()),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_symptoms_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_symptoms"),
    )
    op.create_index("ix_symptoms_machine_id_id", "symptoms", ["machine_id", "id"])


def _create_packages() -> None:
    op.create_table(
        "package_files",
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("size_bytes", Number, nullable=False),
        sa.Column("verified_at", UtcTime(), nullable=False),
        sa.Column("damage", CleanText()),
        sa.PrimaryKeyConstraint("sha256", name="pk_package_files"),
    )
    op.create_table(
        "packages",
        sa.Column("id", Number, nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("maker", CleanText(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("machine_id", Number),
        sa.Column("file_name", CleanText(), nullable=False),
        sa.Column("source", CleanText(), nullable=False),
        sa.Column("published_digest", sa.Text()),
        sa.Column("kept_by", CleanText(), nullable=False),
        sa.Column("kept_at", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["sha256"], ["package_files.sha256"], name="fk_packages_sha256_package_files"
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_packages_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_packages"),
    )
    op.create_index("ix_packages_machine_id", "packages", ["machine_id"])
    op.create_index("ix_packages_sha256", "packages", ["sha256"])


def _create_work() -> None:
    op.create_table(
        "confirmations",
        sa.Column("id", Number, nullable=False),
        sa.Column("machine_id", Number, nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("of", CleanText(), nullable=False),
        sa.Column("by", CleanText(), nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("withdrawn_at", UtcTime()),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_confirmations_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_confirmations"),
    )
    op.create_index("ix_confirmations_machine_id_id", "confirmations", ["machine_id", "id"])
    op.create_table(
        "flashes",
        sa.Column("id", Number, nullable=False),
        sa.Column("machine_id", Number, nullable=False),
        sa.Column("from_text", CleanText(), nullable=False),
        sa.Column("to_text", CleanText(), nullable=False),
        sa.Column("target_text", CleanText(), nullable=False),
        sa.Column("by", CleanText(), nullable=False),
        sa.Column("started_at", UtcTime(), nullable=False),
        sa.Column("minutes", Number, nullable=False),
        sa.Column("done_at", UtcTime()),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("before", sa.LargeBinary(), nullable=False),
        sa.Column("result", sa.Text()),
        sa.Column("says", CleanText()),
        sa.Column("closed_at", UtcTime()),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_flashes_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_flashes"),
    )
    op.create_index("ix_flashes_closed_at", "flashes", ["closed_at"])
    op.create_index("ix_flashes_machine_id_id", "flashes", ["machine_id", "id"])
    op.create_table(
        "visits",
        sa.Column("id", Number, nullable=False),
        sa.Column("place", CleanText()),
        sa.Column("begins_at", UtcTime(), nullable=False),
        sa.Column("ends_at", UtcTime(), nullable=False),
        sa.Column("technician_id", Number, nullable=False),
        sa.Column("remark", CleanText(), nullable=False),
        sa.Column("minutes", Number, nullable=False),
        sa.Column("from_visit", Number),
        sa.Column("planned_by", CleanText(), nullable=False),
        sa.Column("planned_at", UtcTime(), nullable=False),
        sa.Column("changed_at", UtcTime(), nullable=False),
        sa.Column("revision", Number, nullable=False),
        sa.Column("sent_key", sa.Text(), nullable=False),
        sa.Column("ended_at", UtcTime()),
        sa.Column("ended_by", CleanText()),
        sa.Column("ended_because", CleanText()),
        sa.Column("called_off", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["technician_id"], ["accounts.id"], name="fk_visits_technician_id_accounts"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_visits"),
        sa.UniqueConstraint("sent_key", name="uq_visits_sent_key"),
    )
    op.create_index("ix_visits_begins_at_id", "visits", ["begins_at", "id"])
    op.create_index("ix_visits_technician_id_begins_at", "visits", ["technician_id", "begins_at"])
    op.create_index("ix_visits_ended_at", "visits", ["ended_at"])
    op.create_table(
        "visit_machines",
        sa.Column("visit_id", Number, nullable=False),
        sa.Column("machine_id", Number, nullable=False),
        sa.Column("position", Number, nullable=False),
        sa.Column("minutes", Number, nullable=False),
        sa.Column("from_text", CleanText()),
        sa.Column("target_text", CleanText()),
        sa.Column("outcome", sa.Text()),
        sa.ForeignKeyConstraint(
            ["visit_id"], ["visits.id"], name="fk_visit_machines_visit_id_visits"
        ),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_visit_machines_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint("visit_id", "machine_id", name="pk_visit_machines"),
    )
    op.create_index("ix_visit_machines_machine_id", "visit_machines", ["machine_id"])
    op.create_table(
        "visit_notes",
        sa.Column("id", Number, nullable=False),
        sa.Column("visit_id", Number, nullable=False),
        sa.Column("machine_id", Number),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("says", CleanText(), nullable=False),
        sa.Column("by", CleanText(), nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("flash_id", Number),
        sa.Column("sent_key", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["visit_id"], ["visits.id"], name="fk_visit_notes_visit_id_visits"),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_visit_notes_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_visit_notes"),
        sa.UniqueConstraint("sent_key", name="uq_visit_notes_sent_key"),
    )
    op.create_index("ix_visit_notes_visit_id_id", "visit_notes", ["visit_id", "id"])
    op.create_index("ix_visit_notes_machine_id_id", "visit_notes", ["machine_id", "id"])
    op.create_table(
        "calendars",
        sa.Column("account_id", Number, nullable=False),
        sa.Column("digest", sa.Text(), nullable=False),
        sa.Column("made_at", UtcTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["account_id"], ["accounts.id"], name="fk_calendars_account_id_accounts"
        ),
        sa.PrimaryKeyConstraint("account_id", name="pk_calendars"),
        sa.UniqueConstraint("digest", name="uq_calendars_digest"),
    )
    op.create_table(
        "policies",
        sa.Column("id", Number, nullable=False),
        sa.Column("place", CleanText()),
        sa.Column("limits", sa.Text(), nullable=False),
        sa.Column("set_by", CleanText(), nullable=False),
        sa.Column("set_at", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_policies"),
    )
    op.create_index("ix_policies_place_id", "policies", ["place", "id"])
    op.create_table(
        "acknowledgements",
        sa.Column("machine_id", Number, nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("by", CleanText(), nullable=False),
        sa.Column("at", UtcTime(), nullable=False),
        sa.Column("reason", CleanText(), nullable=False),
        sa.Column("until", sa.Date(), nullable=False),
        sa.ForeignKeyConstraint(
            ["machine_id"], ["machines.id"], name="fk_acknowledgements_machine_id_machines"
        ),
        sa.PrimaryKeyConstraint("machine_id", "code", name="pk_acknowledgements"),
    )
    op.create_table(
        "jobs",
        sa.Column("id", Number, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("about", CleanText(), nullable=False),
        sa.Column("given", sa.JSON(), nullable=False),
        sa.Column("input", sa.LargeBinary()),
        sa.Column("asked_by", CleanText(), nullable=False),
        sa.Column("who", sa.JSON(), nullable=False),
        sa.Column("asked_at", UtcTime(), nullable=False),
        sa.Column("follows", Number),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("tries", Number, nullable=False),
        sa.Column("held_by", sa.Text()),
        sa.Column("held_until", UtcTime()),
        sa.Column("part", CleanText(), nullable=False),
        sa.Column("done", Number, nullable=False),
        sa.Column("total", Number, nullable=False),
        sa.Column("ended_at", UtcTime()),
        sa.Column("result", sa.JSON(), nullable=False),
        sa.Column("output", sa.LargeBinary()),
        sa.PrimaryKeyConstraint("id", name="pk_jobs"),
        sa.UniqueConstraint("follows", name="uq_jobs_follows"),
    )
    op.create_index("ix_jobs_state_id", "jobs", ["state", "id"])
    op.create_table(
        "summary",
        sa.Column("facet", sa.Text(), nullable=False),
        sa.Column("name", CleanText(), nullable=False),
        sa.Column("count", Number, nullable=False),
        sa.PrimaryKeyConstraint("facet", "name", name="pk_summary"),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_summary_facet_count_name", "summary", ["facet", "count", "name"])
    for statement in triggers(op.get_bind().dialect.name):
        op.execute(statement)
