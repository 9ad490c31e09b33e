"""The contract as the server judges what arrives, and as the OpenAPI document tells it.

- The envelope of a report is strict: every wrong or missing field is named.
- Its sections are forgiving: what is malformed in them becomes `Unknown` with its reason, and the
  problem is listed; unknown keys are passed over. The body is kept as it came.
- Every version of the wire that there ever was is taken. Versions only add, so that one schema
  reads them all: what an older one does not know of was not reported.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from marshmallow import EXCLUDE, Schema, ValidationError, fields, post_load, validate

from flashworthy_common.errors import MalformedValueError
from flashworthy_common.ids import is_uuid
from flashworthy_common.report import (
    SECTIONS,
    WIRE_VERSION,
    IdentitySection,
    MachineSection,
    Report,
    Section,
    Source,
    Why,
    report_from_json,
    section_from_json,
)
from flashworthy_common.values import MAX_TEXT_CHARACTERS, read_time
from flashworthy_server import json_text
from flashworthy_server.errors import InvalidReportError, TooLargeError, UnreadableBodyError

OLDEST_WIRE = 1
WIRE_VERSIONS = tuple(range(OLDEST_WIRE, WIRE_VERSION + 1))  # that are taken

LONGEST_CODE = 100  # characters, separators included
HIGHEST_SEQUENCE = 2**53 - 1  # the highest whole number that every JSON reader keeps exact


@dataclass(frozen=True, slots=True)
class ReadReport:
    """A report whose envelope is right, and what was malformed in its sections, in words."""

    report: Report
    problems: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Application:
    """What an agent says of itself when it asks to join."""

    code: str
    agent_id: str
    place: str | None
    identity: IdentitySection
    machine: MachineSection


class Time(fields.Field[Any]):
    """An RFC 3339 time with an offset."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        try:
            return read_time(value, path="")
        except MalformedValueError as error:
            message = str(error).removeprefix(": ")
            raise ValidationError(f"{message[0].upper()}{message[1:]}.") from None


class SectionField(fields.Field[Any]):
    """One section of a report; nothing in it is refused."""

    def __init__(self, name: str, **kwargs: Any) -> None:
        super().__init__(allow_none=True, **kwargs)
        self.section_name = name

    def deserialize(self, value: Any, *args: Any, **kwargs: Any) -> Any:
        if value is None:  # null is as malformed as any other value that is no object
            return self._deserialize(value, None, None)
        return super().deserialize(value, *args, **kwargs)

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Section:
        return section_from_json(self.section_name, value, [])


def _uuid(version: int | None = None) -> Callable[[str], str]:
    expected = f"a lower-case UUID of version {version}" if version else "a lower-case UUID"

    def check(text: str) -> str:
        if is_uuid(text, version=version):
            return text
        raise ValidationError(f"Expected {expected}, got {text[:80]!r}.")

    return check


class EnvelopeSchema(Schema):
    """The envelope of a report."""

    class Meta:
        unknown = EXCLUDE

    wire = fields.Integer(
        required=True,
        strict=True,
        validate=validate.OneOf(WIRE_VERSIONS, error="Expected one of {choices}, got {input}."),
    )
    report_id = fields.String(
        required=True, validate=_uuid(7), metadata={"description": "UUIDv7", "format": "uuid"}
    )
    agent_id = fields.String(required=True, validate=_uuid(), metadata={"format": "uuid"})
    sequence = fields.Integer(
        required=True,
        strict=True,
        validate=validate.Range(0, HIGHEST_SEQUENCE),
        metadata={"description": "counts up per agent; the highest is the newest report"},
    )
    taken_at = Time(required=True, metadata={"type": "string", "format": "date-time"})
    source = fields.Enum(Source, by_value=True, required=True)
    why = fields.Enum(Why, by_value=True, required=True)
    uptime_seconds = fields.Raw(
        allow_none=True, metadata={"description": "whole seconds since the last start"}
    )


# For the OpenAPI document alone: `section_from_json` reads the sections, and refuses nothing.
ReportSchema = EnvelopeSchema.from_dict(
    {name: fields.Dict(metadata={"type": "object"}) for name in SECTIONS}, name="Report"
)
_ENVELOPE = EnvelopeSchema()


class ApplicationSchema(Schema):
    """What an agent says of itself when it asks to join."""

    class Meta:
        unknown = EXCLUDE

    code = fields.String(required=True, validate=validate.Length(1, LONGEST_CODE))
    agent_id = fields.String(required=True, validate=_uuid(), metadata={"format": "uuid"})
    place = fields.String(
        load_default=None, allow_none=True, validate=validate.Length(1, MAX_TEXT_CHARACTERS)
    )
    identity = SectionField("identity", required=True, metadata={"type": "object"})
    machine = SectionField("machine", required=True, metadata={"type": "object"})

    @post_load
    def to_application(self, data: dict[str, Any], **kwargs: Any) -> Application:
        return Application(**data)


def parse_json(text: str | bytes) -> Any:
    """Decoded JSON.

    Raises:
        UnreadableBodyError: it is no JSON, or nested deeper than can be read.
    """
    try:
        return json_text.loads(text)
    except RecursionError:
        raise UnreadableBodyError("not JSON that can be read: it is nested too deep") from None
    except ValueError as error:
        raise UnreadableBodyError(f"not JSON: {error}") from None


def require_bounded(data: Any, *, depth: int, values: int) -> None:
    """Refuse JSON that holds more than it may: deeper lists and objects, or more values.

    Raises:
        TooLargeError: with the limit.
    """
    level: list[Any] = [[data]]
    count, nesting = 1, -1
    while level:
        nesting += 1
        if nesting > depth:
            raise TooLargeError(f"expected lists and objects at most {depth} deep")
        deeper: list[Any] = []
        for each in level:
            for value in each.values() if type(each) is dict else each:
                if type(value) in _NEST:
                    deeper.append(value)
                    count += len(value)
        if count > values:
            raise TooLargeError(f"expected at most {values} values")
        level = deeper


_NEST = {dict, list}


def read_report(data: Any) -> ReadReport:
    """A report from decoded JSON.

    Raises:
        InvalidReportError: the envelope is wrong; every such field is named.
    """
    if not isinstance(data, dict):
        raise _wrong_envelope(data, "expected an object")
    problems: list[str] = []
    try:
        report = report_from_json(data, problems)
    except MalformedValueError as error:
        raise _wrong_envelope(data, str(error)) from None
    if not _is_right(data, report):
        raise _wrong_envelope(data, "the envelope is wrong")
    return ReadReport(report, tuple(sorted(problems)))


def _is_right(data: dict[str, Any], report: Report) -> bool:
    """Whether the envelope is what its schema asks for, beyond the types of its values."""
    return (
        type(data.get("wire")) is int
        and data["wire"] in WIRE_VERSIONS
        and is_uuid(report.report_id, version=7)
        and is_uuid(report.agent_id)
        and 0 <= report.sequence <= HIGHEST_SEQUENCE
    )


def _wrong_envelope(data: Any, otherwise: str) -> InvalidReportError:
    """Every wrong field in words, as the schema says it.

    It is not asked of right ones: that would take half as long again as reading the whole report.
    """
    wrong = _ENVELOPE.validate(data)
    return InvalidReportError(messages_by_field(wrong or [otherwise]))


def messages_by_field(messages: Any, path: str = "") -> dict[str, list[str]]:
    """Marshmallow's nested messages as one flat mapping from the field's path to its messages."""
    if not isinstance(messages, Mapping):
        return {path or "body": [str(text) for text in messages]}
    found: dict[str, list[str]] = {}
    for name, inner in messages.items():
        inner_path = "" if name == "_schema" else f"{path}.{name}" if path else str(name)
        found |= messages_by_field(inner, inner_path or path)
    return found
