"""What the server answers of visits, places and records; as `answers`, for API and --json."""

from marshmallow import Schema, fields

from flashworthy_server.answers import WrittenTime


class ItemSchema(Schema):
    what = fields.String()
    machines = fields.List(fields.String())
    notes = fields.List(fields.String())


class NotedSchema(Schema):
    what = fields.String()
    says = fields.String()
    by = fields.String()
    at = WrittenTime()


class VisitedMachineSchema(Schema):
    id = fields.Integer()
    name = fields.String(attribute="machine.name")
    place = fields.String(attribute="machine.place", allow_none=True)
    minutes = fields.Integer(attribute="machine.place_in_visit.minutes")
    from_text = fields.String(attribute="machine.place_in_visit.from_text", allow_none=True)
    target_text = fields.String(attribute="machine.place_in_visit.target_text", allow_none=True)
    foreseen = fields.String(
        attribute="machine.place_in_visit.outcome",
        allow_none=True,
        metadata={
            "description": "the outcome that was foreseen; of an ended visit, that of its end"
        },
    )
    outcome = fields.String(
        allow_none=True, metadata={"description": "of the verdict at the desk; null: no report"}
    )
    progress = fields.String(attribute="state.progress.value")
    says = fields.String(attribute="state.says")
    notes = fields.List(fields.Nested(NotedSchema))


class VisitSchema(Schema):
    id = fields.Integer(attribute="visit.id")
    standing = fields.String(attribute="standing.value")
    place = fields.String(attribute="visit.place", allow_none=True)
    begins_at = WrittenTime(attribute="visit.begins_at")
    ends_at = WrittenTime(attribute="visit.ends_at")
    technician = fields.String(attribute="visit.technician")
    remark = fields.String(attribute="visit.remark")
    minutes = fields.Integer(
        attribute="visit.minutes", metadata={"description": "as planned, with a margin"}
    )
    minutes_taken = fields.Integer(allow_none=True)
    from_visit = fields.Integer(attribute="visit.from_visit", allow_none=True)
    planned_by = fields.String(attribute="visit.planned_by")
    planned_at = WrittenTime(attribute="visit.planned_at")
    ended_at = WrittenTime(attribute="visit.ended_at", allow_none=True)
    ended_by = fields.String(
        attribute="visit.ended_by",
        allow_none=True,
        metadata={"description": "a person; null: all its machines were decided"},
    )
    ended_because = fields.String(attribute="visit.ended_because", allow_none=True)
    counts = fields.Dict(keys=fields.String(), values=fields.Integer())
    machines = fields.List(fields.Nested(VisitedMachineSchema))
    notes = fields.List(fields.Nested(NotedSchema))


class VisitsSchema(Schema):
    visits = fields.List(fields.Nested(VisitSchema))


class PlannedMachineSchema(Schema):
    id = fields.Integer()
    name = fields.String()
    outcome = fields.String(
        attribute="foreseen.outcome.value", metadata={"description": "as it will probably be"}
    )
    outcome_now = fields.String(attribute="foreseen.outcome_now.value")
    holds_until = WrittenTime(
        attribute="foreseen.holds_until",
        allow_none=True,
        metadata={"description": "from then on the outcome of now may be another"},
    )
    changes = fields.List(
        fields.String(),
        attribute="foreseen.changes",
        metadata={"description": "what will be answered otherwise than now"},
    )
    minutes = fields.Integer(attribute="work.minutes")


class VisitPlanSchema(Schema):
    place = fields.String(allow_none=True)
    minutes = fields.Integer(metadata={"description": "with what runs side by side, and a margin"})
    minutes_of_machines = fields.Integer(metadata={"description": "one after the other"})
    conflicts = fields.List(fields.String())
    machines = fields.List(
        fields.Nested(PlannedMachineSchema), metadata={"description": "in their order"}
    )
    unjudged = fields.Function(
        lambda plan: [name for _, name in plan.unjudged],
        metadata={"description": "machines that have not reported"},
    )
    bring = fields.List(fields.Nested(ItemSchema))
    before = fields.List(fields.Nested(ItemSchema))
    tell = fields.List(fields.Nested(ItemSchema))


class FailureSchema(Schema):
    visit_id = fields.Integer()
    machine_id = fields.Integer()
    name = fields.String()
    progress = fields.String()
    cause = fields.String()


class MonthSchema(Schema):
    minutes_planned = fields.Integer()
    minutes_taken = fields.Integer()
    counts = fields.Dict(keys=fields.String(), values=fields.Integer())
    failures = fields.List(fields.Nested(FailureSchema))
    visits = fields.List(fields.Nested(VisitSchema))


class EventSchema(Schema):
    at = WrittenTime()
    what = fields.String()
    says = fields.String()
    by = fields.String(metadata={"description": "empty: the machine's own reports"})
    visit_id = fields.Integer(allow_none=True)


class StorySchema(Schema):
    name = fields.String(attribute="machine.name")
    place = fields.String(attribute="machine.place", allow_none=True)
    reasons = fields.List(fields.String())
    events = fields.List(fields.Nested(EventSchema))


class PlaceRuleSchema(Schema):
    place = fields.String()
    hostname = fields.String()
    addresses = fields.String()


class PlaceRulesSchema(Schema):
    rules = fields.List(fields.Nested(PlaceRuleSchema))


class MoveSchema(Schema):
    machine_id = fields.Integer()
    name = fields.String()
    before = fields.String(allow_none=True)
    place = fields.String(allow_none=True)


class KeptPlaceSchema(Schema):
    name = fields.String()
    place = fields.String(allow_none=True)
    by = fields.String(metadata={"description": "who says it, and counts for more"})
    other = fields.String(metadata={"description": "what the rules or the list say"})


class PlacingSchema(Schema):
    moves = fields.List(fields.Nested(MoveSchema))
    kept = fields.List(fields.Nested(KeptPlaceSchema))
    not_found = fields.List(fields.String())
    unchanged = fields.Integer()
