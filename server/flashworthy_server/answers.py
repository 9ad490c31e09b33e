"""What the server answers: one schema per answer, for the API, the OpenAPI document and --json.

- A value that a list does not know is null; the machine's own report says why.
- Times are RFC 3339 in UTC, dates ISO 8601.
"""

import json
from typing import Any

from marshmallow import Schema, fields

from flashworthy_common.makers import Combination
from flashworthy_common.policy import limits
from flashworthy_common.values import to_json, write_time
from flashworthy_server.services.jobs import State
from flashworthy_server.services.judgement import Judging
from flashworthy_server.services.overview import Overview, WorkItem
from flashworthy_server.services.packages import WithoutPackage
from flashworthy_server.services.policies import PolicyView

_TIME = {"type": "string", "format": "date-time"}
_OBJECT = {"type": "object"}


class WrittenTime(fields.Field[Any]):
    """A time as RFC 3339 in UTC."""

    def __init__(self, *, metadata: dict[str, Any] | None = None, **kwargs: Any) -> None:
        super().__init__(metadata={**_TIME, **(metadata or {})}, **kwargs)

    def _serialize(self, value: Any, attr: str | None, obj: Any, **kwargs: Any) -> Any:
        return None if value is None else write_time(value)


class FaultSchema(Schema):
    field = fields.String(
        metadata={"description": "path of the field, with the position of its row before it"}
    )
    reason = fields.String()
    line = fields.Integer(metadata={"description": "of the file, where it came as one"})


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
    rotate_token = fields.Boolean(
        metadata={"description": "true: the machine should ask for a new token"}
    )


class ReportReceiptSchema(ReceiptSchema):
    plan_digest = fields.String(
        allow_none=True, metadata={"description": "of the machine's plan; another one: fetch it"}
    )


class MachineTokenSchema(Schema):
    token = fields.String(
        metadata={"description": "shown this once; the old one is good until this one is used"}
    )


class EntrySchema(Schema):
    """One entry of the audit trail; its digest is over all of it and the digest before."""

    number = fields.Integer()
    at = fields.String(metadata={"format": "date-time"})
    who = fields.String()
    address = fields.String(allow_none=True)
    action = fields.String()
    subject = fields.String()
    before = fields.Raw(metadata=_OBJECT)
    after = fields.Raw(metadata=_OBJECT)
    digest = fields.String()


class EntriesSchema(Schema):
    entries = fields.List(fields.Nested(EntrySchema))


class JudgingSchema(Schema):
    """How far judging by what was recorded last is."""

    since = fields.String(
        metadata={"format": "date-time", "description": "what was recorded before holds everywhere"}
    )
    total = fields.Integer(metadata={"description": "verdicts that may change"})
    done = fields.Integer()


def judging_field() -> fields.Field[Any]:
    description = "what was recorded last does not hold everywhere yet; null: it does"
    return fields.Nested(JudgingSchema, allow_none=True, metadata={"description": description})


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
    judging = judging_field()


class AcknowledgementSchema(Schema):
    by = fields.String()
    at = WrittenTime()
    reason = fields.String()
    until = fields.Date(metadata={"description": "the last day on which it rests, UTC"})


class AttentionSchema(Schema):
    code = fields.String()
    says = fields.String()
    first_seen_at = WrittenTime(allow_none=True)
    since = WrittenTime(allow_none=True, metadata={"description": "without a break"})
    acknowledged = fields.Nested(AcknowledgementSchema, allow_none=True)


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
    is_planned = fields.Boolean(
        metadata={"description": "it came of a flash that a person had said was started"}
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
    recorded_at = WrittenTime()


class ReleasesSchema(Schema):
    releases = fields.List(fields.Nested(ReleaseSchema))


class ReviewSchema(Schema):
    id = fields.Integer()
    review = fields.Function(lambda stored: to_json(stored.review), metadata=_OBJECT)
    recorded_at = WrittenTime()


class ReviewsSchema(Schema):
    reviews = fields.List(fields.Nested(ReviewSchema))


class TallySchema(Schema):
    added = fields.Integer()
    changed = fields.Integer()
    unchanged = fields.Integer()


class DifferenceSchema(Schema):
    field = fields.String()
    before = fields.Raw(allow_none=True)
    after = fields.Raw(allow_none=True)


class ChangeSchema(Schema):
    kind = fields.String(metadata={"description": "release, review or advisory"})
    position = fields.String(metadata={"description": "of the row"})
    what = fields.String()
    is_new = fields.Boolean()
    differences = fields.List(fields.Nested(DifferenceSchema))


class ImportedSchema(Schema):
    releases = fields.Nested(TallySchema)
    reviews = fields.Nested(TallySchema)
    advisories = fields.Nested(TallySchema)


class ComparedSchema(ImportedSchema):
    """What an import would change."""

    changes = fields.List(fields.Nested(ChangeSchema))


class InputSchema(Schema):
    name = fields.String()
    value = fields.Raw()
    default = fields.Raw()
    source = fields.String(metadata={"description": "where the default comes from"})
    why = fields.String()


class InputsSchema(Schema):
    inputs = fields.List(fields.Nested(InputSchema))


class AdvisorySchema(Schema):
    id = fields.String()
    exploitation = fields.Function(lambda advisory: to_json(advisory.exploitation))
    automatable = fields.Boolean(allow_none=True)
    cvss_vector = fields.String()
    severity = fields.String(metadata={"description": "told, never weighed"})
    source = fields.String()


class AdvisoriesSchema(Schema):
    advisories = fields.List(fields.Nested(AdvisorySchema))


class CatalogueSchema(Schema):
    """A catalogue of known exploited holes; null where none is recorded."""

    version = fields.String()
    released_at = fields.String(metadata={"format": "date-time"})
    count = fields.Integer()
    added = fields.Integer()
    removed = fields.Integer()
    named = fields.List(
        fields.String(), metadata={"description": "those that recorded releases close"}
    )


class ExceptionSchema(Schema):
    id = fields.Integer()
    exception = fields.Function(lambda stored: to_json(stored.exception), metadata=_OBJECT)
    recorded_at = WrittenTime()
    ended_at = WrittenTime(allow_none=True, metadata={"description": "early, by a person"})


class ExceptionsSchema(Schema):
    exceptions = fields.List(fields.Nested(ExceptionSchema))


class SymptomSchema(Schema):
    id = fields.Integer()
    says = fields.String(attribute="symptom.says")
    recorded_by = fields.String(attribute="symptom.recorded_by")
    recorded_at = WrittenTime(attribute="symptom.recorded_at")
    ended_at = WrittenTime(allow_none=True)


class SymptomsSchema(Schema):
    symptoms = fields.List(fields.Nested(SymptomSchema))


class ConfirmationSchema(Schema):
    id = fields.Integer()
    what = fields.Function(lambda stored: stored.confirmation.what.value)
    of = fields.String(attribute="confirmation.of")
    by = fields.String(attribute="confirmation.by")
    at = WrittenTime(attribute="confirmation.at")
    withdrawn_at = WrittenTime(allow_none=True)


class ConfirmationsSchema(Schema):
    confirmations = fields.List(fields.Nested(ConfirmationSchema))


class FlashSchema(Schema):
    id = fields.Integer()
    from_text = fields.String(attribute="flash.from_text")
    to_text = fields.String(attribute="flash.to_text")
    target_text = fields.String(attribute="flash.target_text")
    by = fields.String(attribute="flash.by")
    started_at = WrittenTime(attribute="flash.started_at")
    expected_at = WrittenTime(attribute="flash.expected_at")
    outcome = fields.Function(
        lambda stored: stored.outcome.value,
        metadata={"description": "of the verdict on the spot when it was started"},
    )
    done_at = WrittenTime(
        attribute="flash.done_at", allow_none=True, metadata={"description": "by a person's word"}
    )
    result = fields.Function(
        lambda stored: stored.found.result.value if stored.found else None,
        metadata={"description": "by the machine's own report; null: nothing came of it yet"},
    )
    says = fields.Function(lambda stored: stored.found.says if stored.found else None)
    given_up_because = fields.String(
        allow_none=True, metadata={"description": "by a person's word; null: it was not given up"}
    )
    closed_at = WrittenTime(allow_none=True)


class FlashesSchema(Schema):
    flashes = fields.List(fields.Nested(FlashSchema))


class PlanSchema(Schema):
    digest = fields.String(metadata={"description": "of all but the times"})
    look_for = fields.List(
        fields.String(), attribute="plan.look_for", metadata={"description": "drivers and packages"}
    )
    plan = fields.Function(lambda named: to_json(named.plan), metadata=_OBJECT)


class PolicySettingSchema(Schema):
    limits = fields.Function(lambda stored: json.loads(stored.limits), metadata=_OBJECT)
    set_by = fields.String()
    set_at = WrittenTime()


class PolicySchema(Schema):
    place = fields.String(allow_none=True, metadata={"description": "null: the whole site"})
    limits = fields.Function(
        lambda view: [_limit(view, each) for each in limits()],
        metadata={"type": "array", "items": {"type": "object"}},
    )
    versions = fields.List(fields.Nested(PolicySettingSchema))


class PolicyChangeSchema(Schema):
    now = fields.Function(lambda change: change.now.value)
    then = fields.Function(lambda change: change.then.value)
    machines = fields.Integer()


class PolicyChangesSchema(Schema):
    changes = fields.List(fields.Nested(PolicyChangeSchema))


class PackageSchema(Schema):
    id = fields.Integer()
    sha256 = fields.String()
    size_bytes = fields.Integer()
    package = fields.Function(lambda stored: to_json(stored.package), metadata=_OBJECT)
    machine_id = fields.Integer(
        allow_none=True, metadata={"description": "the only machine that a board dump is for"}
    )
    file_name = fields.String()
    source = fields.String()
    published_digest = fields.String(allow_none=True)
    kept_by = fields.String()
    kept_at = WrittenTime()
    verified_at = WrittenTime()
    damage = fields.String(allow_none=True)


class PackagesSchema(Schema):
    packages = fields.List(fields.Nested(PackageSchema))


class WithoutPackageSchema(Schema):
    maker = fields.String(allow_none=True)
    model = fields.String(allow_none=True)
    board = fields.String(allow_none=True)
    board_version = fields.String(allow_none=True)
    version_text = fields.String(allow_none=True)
    machines = fields.Integer()


class WithoutPackagesSchema(Schema):
    combinations = fields.List(fields.Nested(WithoutPackageSchema))


class JobSchema(Schema):
    id = fields.Integer()
    kind = fields.String()
    about = fields.String(metadata={"description": "in a few words, such as a file's name"})
    asked_by = fields.String()
    asked_at = WrittenTime()
    follows = fields.Integer(
        allow_none=True, metadata={"description": "the job whose result it carries out"}
    )
    state = fields.String(metadata={"enum": [each.value for each in State]})
    part = fields.String(metadata={"description": "of what `done` of `total` are done"})
    done = fields.Integer()
    total = fields.Integer()
    ended_at = WrittenTime(allow_none=True)
    result = fields.Raw(metadata={"description": "what came of it, or why it failed"})
    has_output = fields.Boolean(metadata={"description": "a file came of it"})


class JobsSchema(Schema):
    jobs = fields.List(fields.Nested(JobSchema))


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
    judging = judging_field()
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


def _limit(view: PolicyView, limit: Any) -> dict[str, Any]:
    return {
        "name": limit.name,
        "value": to_json(getattr(view.policy, limit.name)),
        "default": to_json(limit.default),
        "set_here": limit.name in view.set_here,
        "why": limit.metadata["why"],
        "source": limit.metadata["source"],
    }


def combination_answer(combination: Combination) -> dict[str, Any]:
    names = ("maker", "model", "board", "board_version", "version_text")
    return dict(zip(names, (text or None for text in combination.key), strict=True))


def without_package_answer(found: WithoutPackage) -> dict[str, Any]:
    return {**combination_answer(found.combination), "machines": found.machines}


def work_item_answer(item: WorkItem) -> dict[str, Any]:
    return {
        **combination_answer(item.combination),
        "machines": item.machines,
        "because": item.because,
        "newest_seen": to_json(item.need.newest_seen),
    }


def judging_answer(judging: Judging | None) -> dict[str, Any] | None:
    if judging is None:
        return None
    since = write_time(judging.since)
    return {"since": since, "total": judging.total, "done": judging.done}


def overview_answer(overview: Overview) -> dict[str, Any]:
    return {
        **{name: getattr(overview, name) for name in OverviewSchema().fields},
        "as_of": write_time(overview.as_of),
        "judging": judging_answer(overview.judging),
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
