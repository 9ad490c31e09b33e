"""What kind of machine a chassis type stands for.

The types are those of DSP0134 §7.4.1. The standard does not group them; the grouping here is
*common practice, no source*. Types that say nothing (other, unknown, expansion chassis) and those
built into something else (IoT gateway, embedded PC) belong to no kind.
"""

from enum import Enum


class Kind(Enum):
    PORTABLE = "portable"
    DESKTOP = "desktop"
    SERVER = "server"


_TYPES = {
    Kind.PORTABLE: (8, 9, 10, 11, 14, 30, 31, 32),
    Kind.DESKTOP: (3, 4, 5, 6, 7, 13, 15, 16, 24, 35, 36),
    Kind.SERVER: (17, 23, 25, 28, 29),
}
_KIND_BY_TYPE = {number: kind for kind, numbers in _TYPES.items() for number in numbers}


def kind_of(chassis_type: int) -> Kind | None:
    """The kind of a chassis type (lock bit masked); none where the type does not tell."""
    return _KIND_BY_TYPE.get(chassis_type)
