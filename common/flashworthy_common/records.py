"""Immutable records: dataclasses whose methods are written once instead of made for each class.

A run of the agent defines dozens of classes and makes few objects of them. There the methods that
`dataclass(frozen=True)` writes and compiles for every class cost more than all the looking: half a
millisecond to a whole one each, against a tenth here. Where many objects are made, as in verdicts,
plain dataclasses are the better choice.
"""

from dataclasses import MISSING, FrozenInstanceError, dataclass, field, fields
from typing import Any, NoReturn, TypeVar, dataclass_transform

T = TypeVar("T")


@dataclass_transform(frozen_default=True, kw_only_default=True, field_specifiers=(field,))
def record(kind: type[T]) -> type[T]:
    """`kind` as an immutable dataclass that takes its fields by name.

    `dataclasses.fields` and `replace` work on it; records are equal and have equal hashes when they
    are of one class and their fields are equal. A default must itself be immutable.
    """
    made = dataclass(init=False, repr=False, eq=False)(kind)
    described = fields(made)  # type: ignore[arg-type]  # it is a dataclass by now
    methods = {
        "_names": tuple(one.name for one in described),
        "_shown": tuple(one.name for one in described if one.repr),
        "_known": frozenset(one.name for one in described),
        "_count": len(described),
        "_defaults": {one.name: one.default for one in described if one.default is not MISSING},
        "__init__": _init,
        "__repr__": _repr,
        "__eq__": _eq,
        "__hash__": _hash,
        "__setattr__": _refuse,
        "__delattr__": _refuse,
    }
    for name, value in methods.items():
        setattr(made, name, value)
    return made


def is_record(kind: type) -> bool:
    """Whether objects of this class hold their fields and nothing else, so that one may be made
    by filling its ``__dict__``."""
    return kind.__dict__.get("__init__") is _init


def _init(self: Any, **values: Any) -> None:
    given = self.__dict__
    given.update(self._defaults)
    given.update(values)
    if len(given) != self._count or not self._known.issuperset(values):
        unknown = [name for name in values if name not in self._names]
        missing = [name for name in self._names if name not in given]
        wrong = f"does not know {unknown[0]!r}" if unknown else f"needs {missing[0]!r}"
        raise TypeError(f"{type(self).__name__} {wrong}")


def _repr(self: Any) -> str:
    shown = ", ".join(f"{name}={getattr(self, name)!r}" for name in self._shown)
    return f"{type(self).__qualname__}({shown})"


def _eq(self: Any, other: object) -> Any:
    if type(self) is not type(other):
        return NotImplemented
    return self.__dict__ == other.__dict__


def _hash(self: Any) -> int:
    return hash(tuple(self.__dict__[name] for name in self._names))


def _refuse(self: Any, name: str, *_: Any) -> NoReturn:
    raise FrozenInstanceError(f"{type(self).__name__} cannot be changed: {name!r}")
