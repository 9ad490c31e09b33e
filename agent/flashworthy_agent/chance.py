"""Random bits for ids."""

import os


def random_bits(count: int) -> int:
    """A number below 2 to the power of `count`, from the system's own source.

    The standard library's `secrets` reads it in the same way, but loads random numbers of every
    kind and keyed digests beside it.
    """
    return int.from_bytes(os.urandom((count + 7) // 8), "big") >> -count % 8
