"""Packages: firmware files that are kept, in and out in pieces."""

import base64
import binascii
import re
from collections.abc import Iterator
from typing import Any, BinaryIO, cast

from flask import Response, request
from marshmallow import Schema, fields, validate
from werkzeug.exceptions import RequestEntityTooLarge
from werkzeug.http import dump_options_header

from flashworthy_server.answers import (
    PackageSchema,
    PackagesSchema,
    WithoutPackagesSchema,
    without_package_answer,
)
from flashworthy_server.api.bodies import Blueprint
from flashworthy_server.api.pages import Cursor, next_link
from flashworthy_server.api.queries import LimitSchema, RemovalSchema, page_count, text_filter
from flashworthy_server.errors import TooLargeError, UnsupportedBodyError
from flashworthy_server.package_folder import Digest, pieces_of
from flashworthy_server.services import packages as service
from flashworthy_server.services.machines import HIGHEST_ID
from flashworthy_server.services.packages import Offered
from flashworthy_server.web.context import current_site, current_who

OCTETS = "application/octet-stream"

blueprint = Blueprint(
    "packages", __name__, url_prefix="/packages", description="kept firmware files"
)

_OCTETS_BODY = {
    "required": True,
    "content": {OCTETS: {"schema": {"type": "string", "format": "binary"}}},
}
_DIGEST_FIELDS = ("Content-Digest", "Repr-Digest")
# One member of a dictionary of byte sequences. [RFC 9530 §2 and §3, RFC 8941 §3.2 and §3.3.5]
_MEMBER = re.compile(r"\s*(?P<name>[a-z][a-z0-9_.*-]*)=:(?P<value>[A-Za-z0-9+/=]*):\s*", re.ASCII)
_SENT_ALGORITHMS = ("sha-256", "sha-512")  # the active ones of RFC 9530 §5


class PackageQuerySchema(LimitSchema):
    maker = text_filter()
    after = Cursor(int)


class OfferedSchema(Schema):
    maker = fields.String(required=True)
    model = fields.List(fields.String(), required=True)
    version = fields.String(required=True)
    board_version = fields.List(fields.String(), load_default=[])
    file_name = fields.String(required=True)
    source = fields.String(
        required=True, metadata={"description": "where it was fetched, or who read the board out"}
    )
    published_digest = fields.String(
        load_default="", metadata={"description": "by its maker, such as sha-256:9f86d0..."}
    )
    machine_id = fields.Integer(
        load_default=None,
        validate=validate.Range(1, HIGHEST_ID),
        metadata={"description": "of a board dump: the only machine that it is for"},
    )


@blueprint.route("")
@blueprint.arguments(PackageQuerySchema, location="query")
@blueprint.response(200, PackagesSchema)
def list_all(query: dict[str, Any]) -> Any:
    """Kept packages and board dumps, in the order in which they were kept."""
    (after,) = query.get("after", (0,))
    found, last = service.list_packages(
        current_site(), maker=query.get("maker"), after=after, count=page_count(query)
    )
    return {"packages": found}, next_link(last) if last else {}


@blueprint.route("", methods=["POST"])
@blueprint.doc(requestBody=_OCTETS_BODY)
@blueprint.arguments(OfferedSchema, location="query")
@blueprint.response(201, PackageSchema)
def keep(query: dict[str, Any]) -> service.StoredPackage:
    """Keep a package, or a board dump of one machine; the body is the file as it is.

    A Content-Digest or Repr-Digest header (RFC 9530) is held against what arrives.
    """
    if request.mimetype != OCTETS or request.content_encoding:
        raise UnsupportedBodyError(f"expected a body of Content-Type: {OCTETS}, as it is")
    offered = Offered(
        package={
            "machine_maker": query["maker"],
            "models": query["model"],
            "version_text": query["version"],
            "board_versions": query["board_version"],
        },
        file_name=query["file_name"],
        source=query["source"],
        published_digest=query["published_digest"],
        machine_id=query["machine_id"],
        sent_digests=tuple(_sent_digests()),
    )
    return service.keep(
        current_site(), current_who(), offered, _arriving(), expected_bytes=request.content_length
    )


@blueprint.route("/missing")
@blueprint.arguments(LimitSchema, location="query")
@blueprint.response(200, WithoutPackagesSchema)
def missing(query: dict[str, Any]) -> dict[str, Any]:
    """Combinations of which no intact package of what they run is kept, most machines first."""
    found = service.without_package(current_site(), page_count(query))
    return {"combinations": [without_package_answer(each) for each in found]}


@blueprint.route("/<int:package_id>")
@blueprint.response(200, PackageSchema)
def one(package_id: int) -> service.StoredPackage:
    """What a kept file is for, and whether it was intact."""
    return service.view_package(current_site(), package_id)


@blueprint.route("/<int:package_id>", methods=["DELETE"])
@blueprint.arguments(RemovalSchema, location="query")
@blueprint.response(204)
def remove(query: dict[str, Any], package_id: int) -> Response:
    """Keep a package no longer, nor its file, unless another package has the same.

    What rests on it is told with 409, unless `anyway` says that it is known.
    """
    service.remove(current_site(), current_who(), package_id, **query)
    return Response(status=204)


@blueprint.route("/<int:package_id>/file")
@blueprint.response(200, {"type": "string", "format": "binary"}, content_type=OCTETS)
def download(package_id: int) -> Response:
    """The file, found intact just now, with its digest (RFC 9530)."""
    package, file = service.open_package(current_site(), package_id)
    digest = base64.b64encode(bytes.fromhex(package.sha256)).decode()
    response = Response(_leaving(file), content_type=OCTETS)
    response.content_length = package.size_bytes
    for name in _DIGEST_FIELDS:
        response.headers[name] = f"sha-256=:{digest}:"
    response.headers["Content-Disposition"] = dump_options_header(
        "attachment", {"filename": package.file_name}
    )
    return response


def _leaving(file: BinaryIO) -> Iterator[bytes]:
    with file:
        yield from pieces_of(file)


def _arriving() -> Iterator[bytes]:
    """The body, in pieces, never more of it than a package may have."""
    limit_bytes = current_site().config.package_bytes
    request.max_content_length = limit_bytes + 1
    try:
        yield from pieces_of(cast(BinaryIO, request.stream))
    except RequestEntityTooLarge:
        raise TooLargeError(f"expected a package of at most {limit_bytes} bytes") from None


def _sent_digests() -> Iterator[Digest]:
    """What the request says of its content; algorithms that are not active are passed over."""
    for name in _DIGEST_FIELDS:
        for member in request.headers.get(name, "").split(","):
            match = _MEMBER.fullmatch(member)
            if match and match["name"] in _SENT_ALGORITHMS:
                yield Digest(match["name"], _hex_of(name, match["value"]))
            elif member.strip() and not match:
                raise UnsupportedBodyError(f"{name}: expected sha-256=:BASE64:, got {member!r:.80}")


def _hex_of(name: str, text: str) -> str:
    try:
        return base64.b64decode(text, validate=True).hex()
    except binascii.Error:
        raise UnsupportedBodyError(f"{name}: expected base64, got {text!r:.80}") from None
