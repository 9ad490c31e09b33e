"""The JSON Schema of a document of releases, made from the very types that read it.

Draft 2020-12. What the schema lets pass is read; rules between fields, and whether a version can
be read, are judged after that and named by row and field.
"""

import types
import typing
from dataclasses import MISSING, Field, fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from typing import Annotated, Any, Union

from flashworthy_common.releases import Release, Review
from flashworthy_common.values import MAX_LIST_ITEMS, MAX_TEXT_CHARACTERS, Bounds
from flashworthy_common.weighing import Advisory

DIALECT = "https://json-schema.org/draft/2020-12/schema"

_ABOUT = {
    "machine_maker": "who published it, in any of its spellings",
    "models": "product names, boards or machine types; * stands for any text",
    "version_text": "as the maker writes it",
    "skus": "only these order codes; empty: any",
    "board_versions": "only these board versions; empty: any",
    "state_reason": "why it was withdrawn, or what superseded it",
    "notes_url": "link to the maker's notes",
    "firmware": "the oldest version to step from",
    "os_builds": "the least build, one per operating system",
    "installed": "the least versions of drivers and packages",
    "os_updates": "pending updates must be installed first",
    "ways": "any one of them; empty: not said",
    "minutes": "of one flash, restarts included",
    "resets_settings": "null: not said",
    "can_go_back": "to an older version once this one runs; null: not said",
    "back_to": "the oldest version that one can go back to; null: any",
    "recovery": "what to do if the machine no longer starts",
    "says": "what it closes, mends or brings",
    "source": "where that can be read",
    "priority": "only to set it by hand; null: worked out",
    "symptoms": "what a machine with this fault shows",
    "newest_version_text": "the newest that its maker offered then; empty: none",
    "cvss_vector": "CVSS 2, 3.0, 3.1 or 4.0",
}
_MADE_HERE = {(Advisory, "severity")}  # worked out, never stated


def document_schema() -> dict[str, Any]:
    """The schema of ``{"releases": [...], "reviews": [...], "advisories": [...]}``."""
    kinds: dict[str, Any] = {"releases": Release, "reviews": Review, "advisories": Advisory}
    return {
        "$schema": DIALECT,
        "title": "Releases, reviews and advisories",
        "type": "object",
        "properties": {
            name: {"type": "array", "items": _of_type(kind)} for name, kind in kinds.items()
        },
        "additionalProperties": False,
    }


def _of_object(kind: type) -> dict[str, Any]:
    hints = typing.get_type_hints(kind, include_extras=True)
    stated = [each for each in fields(kind) if (kind, each.name) not in _MADE_HERE]
    return {
        "type": "object",
        "properties": {each.name: _of_field(each, hints[each.name]) for each in stated},
        "required": [each.name for each in stated if _is_required(each)],
        "additionalProperties": False,
    }


def _of_field(field: Field[Any], hint: Any) -> dict[str, Any]:
    about = _ABOUT.get(field.name)
    return _of_type(hint) | ({"description": about} if about else {})


def _is_required(field: Field[Any]) -> bool:
    return field.default is MISSING and field.default_factory is MISSING


_PLAIN: dict[Any, dict[str, Any]] = {
    str: {"type": "string", "maxLength": MAX_TEXT_CHARACTERS},
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    float: {"type": "number"},
    datetime: {"type": "string", "format": "date-time"},
    date: {"type": "string", "format": "date"},
}


def _of_type(hint: Any) -> dict[str, Any]:
    if hint in _PLAIN:
        return dict(_PLAIN[hint])
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin is Annotated:
        return _of_number(*inner)
    if origin is tuple:
        return {"type": "array", "items": _of_type(inner[0]), "maxItems": MAX_LIST_ITEMS}
    if origin in (Union, types.UnionType):
        return {"anyOf": [_of_type(each) for each in inner if each is not type(None)] + _NULL}
    if isinstance(hint, type) and issubclass(hint, Enum):
        return {"enum": [each.value for each in hint]}
    if is_dataclass(hint):
        return _of_object(typing.cast(type, hint))
    raise TypeError(f"no schema for fields of type {hint!r}")


_NULL: list[dict[str, Any]] = [{"type": "null"}]


def _of_number(kind: type, bounds: Bounds) -> dict[str, Any]:
    return {**_PLAIN[kind], "minimum": bounds.low, "maximum": bounds.high}
