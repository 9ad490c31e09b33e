"""What the server answers: one schema per answer, for the API, the OpenAPI document and --json.

- A value that a list does not know is null; the machine's own report says why.
- Times are RFC 3339 in UTC, dates ISO 8601.
"""

from typing import Any

from marshmallow import Schema, fields

from flashworthy_common.present import sentence
from flashworthy_common.readiness import Verdict
from flashworthy_common.values import to_json, write_time
from flashworthy_server.services.overview import Overview, WorkItem

_TIME = {"type": "string", "format": "date-time"}
_OBJECT = {"type": "object"}


class WrittenTime(fields.Field[Any]):
    """A time as RFC 3339 in UTC."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(metadata=_TIME, **kwargs)

    def _serialize(self, value: Any, attr: str | None, obj: Any, **kwargs: Any) -> Any:
        return None if value is None else write_time(value)


class FaultSchema(Schema):
    field = fields.String(metadata={"description": "path of the field or position of the row"})
    reason = fields.String()


class ProblemSchema(Schema):
    """Problem details (RFC 9457); the type is always `about:blank`."""

    title = fields.String(metadata={"description": "the phrase of the status"})
    status = fields.Integer(metadata={"minimum": 400, "maximum": 599})
    detail = fields.String(metadata={"description": "what is wrong this time, and what to do"})
    errors = fields.List(fields.Nested(FaultSchema))


class EnrolmentSchema(Schema):
    machine_id = fields.Integer()
    agent_id = fields.String(metadata={"format": "uuid"})
    token = fields.String(metadata={"description": "shown this once"})


class ReceiptSchema(Schema):
    report_id = fields.String(metadata={"format": "uuid"})
    machine_id = fields.Integer()
    stored = fields.Boolean(metadata={"description": "false: it was here already"})


class MachineRowSchema(Schema):
    id = fields.Integer(attribute="machine.id")
    name = fields.String(attribute="machine.name")
    place = fields.String(attribute="machine.place", allow_none=True)
    marked = fields.String(attribute="machine.marked", allow_none=True)
    maker = fields.String(attribute="machine.maker", allow_none=True)
    model = fields.String(attribute="machine.model", allow_none=True)
    board = fields.String(attribute="machine.board", allow_none=True)
    version_text = fields.String(attribute="machine.version_text", allow_none=True)
    firmware_on = fields.Date(attribute="machine.firmware_on", allow_none=True)
    outcome = fields.String(
        attribute="machine.outcome",
        allow_none=True,
        metadata={"description": "of the verdict at the desk; null: no report yet"},
    )
    sentence = fields.String(attribute="machine.sentence", allow_none=True)
    holds_until = WrittenTime(attribute="machine.holds_until", allow_none=True)
    standing = fields.String(attribute="machine.standing", allow_none=True)
    priority = fields.String(attribute="machine.priority", allow_none=True)
    attention = fields.List(fields.String(), metadata={"description": "codes"})
    taken_at = WrittenTime(attribute="machine.taken_at", allow_none=True)
    received_at = WrittenTime(attribute="machine.received_at", allow_none=True)


class MachinesSchema(Schema):
    machines = fields.List(fields.Nested(MachineRowSchema))


class AttentionSchema(Schema):
    code = fields.String()
    says = fields.String()
    since = WrittenTime(allow_none=True)


class MachineSchema(Schema):
    machine = fields.Nested(MachineRowSchema, attribute="row")
    agent_id = fields.String(attribute="machine.agent_id", allow_none=True)
    enrolled_at = WrittenTime(attribute="machine.enrolled_at")
    attention = fields.List(fields.Nested(AttentionSchema), attribute="row.attentions")
    need = fields.Function(lambda view: to_json(view.need), metadata=_OBJECT)
    report = fields.Function(
        lambda view: to_json(view.machine.newest.report) if view.machine.newest else None,
        metadata={**_OBJECT, "description": "the newest report; null before the first"},
    )


class StoredReportSchema(Schema):
    report_id = fields.String()
    sequence = fields.Integer()
    taken_at = WrittenTime()
    received_at = WrittenTime()
    source = fields.String()
    why = fields.String()
    kept_as = fields.String(metadata={"description": "current, late or in-doubt"})


class FirmwareChangeSchema(Schema):
    from_text = fields.String()
    to_text = fields.String()
    from_seen_at = WrittenTime()
    to_seen_at = WrittenTime()
    order = fields.String(
        metadata={"description": "how the later version stands to the earlier one"}
    )


class HistorySchema(Schema):
    reports = fields.List(fields.Nested(StoredReportSchema))
    firmware_changes = fields.List(fields.Nested(FirmwareChangeSchema), attribute="changes")


class VerdictSchema(Schema):
    """A verdict; `sentence` and `priority` are worked out from the rest."""

    outcome = fields.String()
    sentence = fields.String()
    priority = fields.String(allow_none=True)
    moment = fields.String()
    assessed_at = fields.String(metadata={"format": "date-time"})
    holds_until = fields.String(allow_none=True, metadata={"format": "date-time"})
    machine = fields.String()
    place = fields.String()
    need = fields.Raw(metadata=_OBJECT)
    checks = fields.List(fields.Raw(metadata=_OBJECT))
    rules_version = fields.Integer()


class ReleaseSchema(Schema):
    id = fields.Integer()
    release = fields.Function(lambda stored: to_json(stored.release), metadata=_OBJECT)


class ReleasesSchema(Schema):
    releases = fields.List(fields.Nested(ReleaseSchema))


class TallySchema(Schema):
    added = fields.Integer()
    changed = fields.Integer()
    unchanged = fields.Integer()


class ImportedSchema(Schema):
    releases = fields.Nested(TallySchema)
    reviews = fields.Nested(TallySchema)


class ModelCountSchema(Schema):
    maker = fields.String(allow_none=True)
    model = fields.String(allow_none=True)
    machines = fields.Integer()


class WorkItemSchema(Schema):
    maker = fields.String(allow_none=True)
    model = fields.String(allow_none=True)
    board = fields.String(allow_none=True)
    board_version = fields.String(allow_none=True)
    version_text = fields.String(allow_none=True)
    machines = fields.Integer()
    because = fields.String()
    newest_seen = fields.Raw(
        metadata={**_OBJECT, "description": "the newest version seen here, never a target"}
    )


class RefusalSchema(Schema):
    request = fields.String()
    status = fields.Integer()
    count = fields.Integer()


def _counts(description: str) -> fields.Field[Any]:
    return fields.Dict(
        keys=fields.String(), values=fields.Integer(), metadata={"description": description}
    )


class OverviewSchema(Schema):
    as_of = fields.String(metadata={"format": "date-time"})
    machines = fields.Integer()
    not_reported = fields.Integer(metadata={"description": "enrolled, and no report yet"})
    silent = fields.Integer()
    outcomes = _counts("machines by the outcome of the verdict at the desk")
    standings = _counts("machines by standing")
    priorities = _counts("machines by the priority of the reasons for an update")
    attention = _counts("machines by what asks for attention")
    models = fields.List(fields.Nested(ModelCountSchema))
    places = _counts("machines by the outermost name of their place")
    firmware_age = _counts("machines by full years since the date that the firmware states")
    worklist = fields.List(fields.Nested(WorkItemSchema))
    refusals = fields.List(fields.Nested(RefusalSchema))


class WorklistSchema(Schema):
    worklist = fields.List(fields.Nested(WorkItemSchema))


def verdict_answer(verdict: Verdict) -> dict[str, Any]:
    priority = verdict.need.priority
    return {
        **to_json(verdict),
        "sentence": sentence(verdict),
        "priority": priority.value if priority else None,
    }


def work_item_answer(item: WorkItem) -> dict[str, Any]:
    names = ("maker", "model", "board", "board_version", "version_text")
    key = (text or None for text in item.combination.key)
    return {
        **dict(zip(names, key, strict=True)),
        "machines": item.machines,
        "because": item.because,
        "newest_seen": to_json(item.need.newest_seen),
    }


def overview_answer(overview: Overview) -> dict[str, Any]:
    return {
        **{name: getattr(overview, name) for name in OverviewSchema().fields},
        "as_of": write_time(overview.as_of),
        "models": [
            {"maker": maker or None, "model": model or None, "machines": count}
            for maker, model, count in overview.models
        ],
        "worklist": [work_item_answer(item) for item in overview.worklist],
        "refusals": [
            {"request": what, "status": status, "count": count}
            for what, status, count in overview.refusals
        ],
    }
