"""From one page to the next: an opaque cursor, and a link with ``rel="next"`` (RFC 8288)."""

import base64
import json
from typing import Any
from urllib.parse import urlencode

from flask import request
from marshmallow import ValidationError, fields

from flashworthy_server.services.machines import HIGHEST_ID


class Cursor(fields.Field[Any]):
    """Where a page begins, as the link to it says; nobody but the server reads what it holds."""

    def __init__(self, *kinds: type, **kwargs: Any) -> None:
        super().__init__(metadata={"type": "string", "description": "from a link"}, **kwargs)
        self.kinds = kinds

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        try:
            found = json.loads(base64.urlsafe_b64decode(value.encode("ascii")))
            if [type(part) for part in found] != list(self.kinds):
                raise ValueError
            if any(isinstance(part, int) and abs(part) > HIGHEST_ID for part in found):
                raise ValueError
        except (ValueError, TypeError):
            raise ValidationError("Expected a cursor from a link, as it came.") from None
        return tuple(found)


def next_link(*cursor: str | int) -> dict[str, str]:
    """The header that leads to the page which begins after `cursor`."""
    text = base64.urlsafe_b64encode(json.dumps(cursor).encode()).decode()
    query = urlencode({**request.args, "after": text})
    return {"Link": f'<{request.path}?{query}>; rel="next"'}
