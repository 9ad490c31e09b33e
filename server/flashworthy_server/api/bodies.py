"""Request bodies: JSON, bounded as it comes and after decompression.

What is compressed is unpacked no further than the limit, so that a small body cannot fill the
memory.
"""

import zlib
from dataclasses import dataclass
from typing import Any

from flask import Request, request
from flask_smorest import Blueprint as SmorestBlueprint
from marshmallow import RAISE
from webargs.flaskparser import FlaskParser
from werkzeug.exceptions import RequestEntityTooLarge

from flashworthy_server.config import KIB, MIB
from flashworthy_server.errors import TooLargeError, UnreadableBodyError, UnsupportedBodyError
from flashworthy_server.web.context import current_site
from flashworthy_server.wire import parse_json, require_bounded

_DISCARDED_BYTES = 8 * MIB  # of a body that is too large
_CHUNK_BYTES = 64 * KIB
_GZIP = zlib.MAX_WBITS | 16  # zlib's way of asking for a gzip header


@dataclass(frozen=True, slots=True)
class Body:
    text: bytes  # decompressed
    data: Any


def read_body(limit_bytes: int, most_values: int | None = None) -> Body:
    """The JSON body of the request.

    Args:
        most_values: that it may hold; none: as many as a document that is imported.

    Raises:
        UnsupportedBodyError: it is no JSON by its headers, or of an unknown coding.
        TooLargeError: it is over a limit, as it came, decompressed or parsed.
        UnreadableBodyError: it is not what its headers say.
    """
    if not request.is_json:
        raise UnsupportedBodyError("expected a body of Content-Type: application/json")
    text = _decoded(_received(limit_bytes), limit_bytes)
    config, data = current_site().config, parse_json(text)
    require_bounded(data, depth=config.json_depth, values=most_values or config.import_values)
    return Body(text, data)


def read_file(limit_bytes: int) -> bytes:
    """The body of the request as it is, decompressed.

    Raises:
        UnsupportedBodyError: it is of an unknown coding.
        TooLargeError: it is over the limit, as it came or decompressed.
        UnreadableBodyError: it is not compressed as its headers say.
    """
    return _decoded(_received(limit_bytes), limit_bytes)


class _Parser(FlaskParser):
    def __init__(self) -> None:
        super().__init__()
        known = FlaskParser.DEFAULT_UNKNOWN_BY_LOCATION
        self.DEFAULT_UNKNOWN_BY_LOCATION = {**known, "query": RAISE}

    def load_json(self, req: Request, schema: Any) -> Any:
        config = current_site().config
        return read_body(config.report_body_bytes, config.report_values).data


class Blueprint(SmorestBlueprint):
    """A blueprint that reads bounded bodies, and refuses query parameters that it does not know.

    Each route has one schema for all its requests: to make one takes longer than to use it.
    """

    ARGUMENTS_PARSER = _Parser()

    def arguments(self, schema: Any, **options: Any) -> Any:
        made = schema() if isinstance(schema, type) else schema
        return super().arguments(made, **options)


def _received(limit_bytes: int) -> bytes:
    # A body without a stated length is cut off at this length and not refused: so one byte more.
    request.max_content_length = limit_bytes + 1
    try:
        raw = request.get_data(cache=False)
    except RequestEntityTooLarge:
        _discard_rest()
        raise _too_large(limit_bytes) from None
    if len(raw) > limit_bytes:
        raise _too_large(limit_bytes)
    return raw


def _discard_rest() -> None:
    """Take in what still comes, within bounds.

    A connection that is closed with unread bytes is reset, and the answer is lost with it: the
    sender would not learn that its body is too large, and send it again for ever.
    """
    left, source = _DISCARDED_BYTES, request.environ["wsgi.input"]
    while left > 0 and (chunk := source.read(min(left, _CHUNK_BYTES))):
        left -= len(chunk)


def _decoded(raw: bytes, limit_bytes: int) -> bytes:
    coding = request.headers.get("Content-Encoding", "identity").strip().lower()
    if coding == "identity":
        return raw
    if coding != "gzip":
        raise UnsupportedBodyError(f"expected a Content-Encoding of gzip or none, got {coding!r}")
    unpacker = zlib.decompressobj(_GZIP)
    try:
        text = unpacker.decompress(raw, limit_bytes + 1)
    except zlib.error as error:
        raise UnreadableBodyError("the body is not gzip, although its header says so") from error
    if len(text) > limit_bytes:
        raise _too_large(limit_bytes)
    ratio = current_site().config.body_ratio
    if len(text) > ratio * len(raw):
        raise TooLargeError(f"expected a body that was compressed to no less than 1/{ratio}")
    if not unpacker.eof or unpacker.unused_data:
        raise UnreadableBodyError("the gzip body is cut short, or something follows it")
    return text


def _too_large(limit_bytes: int) -> TooLargeError:
    return TooLargeError(
        f"expected a body of at most {limit_bytes} bytes, also after decompression"
    )
