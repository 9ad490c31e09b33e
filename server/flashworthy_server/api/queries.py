"""What queries of lists, and bodies of requests, have in common."""

from typing import Any

from marshmallow import Schema, fields, validate

from flashworthy_server.web.context import current_site

LONGEST_FILTER = 200  # characters


class LimitSchema(Schema):
    limit = fields.Integer(
        validate=validate.Range(1), metadata={"description": "rows of a page; the server has a top"}
    )


class ReasonSchema(Schema):
    """Why something is done, in a person's words."""

    reason = fields.String(required=True)


class RemovalSchema(Schema):
    """Of what is taken away."""

    reason = fields.String(required=True, validate=validate.Length(1, 2000))
    anyway = fields.Boolean(
        load_default=False, metadata={"description": "what rests on it is known"}
    )


def one_of(kind: Any) -> fields.String:
    """A filter by the value of an enumeration."""
    return fields.String(validate=validate.OneOf([each.value for each in kind]))


def text_filter() -> fields.String:
    return fields.String(validate=validate.Length(1, LONGEST_FILTER))


def page_count(query: dict[str, Any]) -> int:
    """Rows of the page that a query asks for."""
    config = current_site().config
    asked: int = query.get("limit", config.page_rows)
    return min(asked, config.most_page_rows)
