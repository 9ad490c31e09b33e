"""LUKS headers without any key in them. [LUKS2 on-disk format specification §2, LUKS1 §2.1]"""

import hashlib
import json
import struct

UUID = "6a1d2b7e-0c3f-4c58-9a46-0e0f64b8a001"


def slot(salt: str = "c2FsdA==", kind: str = "luks2") -> dict:
    return {"type": kind, "key_size": 64, "kdf": {"type": "pbkdf2", "salt": salt}}


def token(kind: str, *slots: str, **more: object) -> dict:
    return {"type": kind, "keyslots": list(slots), **more}


def description(slots: dict[str, dict], *tokens: dict, bound: list[str] | None = None) -> dict:
    """The JSON of version 2; every slot is bound to the volume unless `bound` says otherwise."""
    return {
        "keyslots": slots,
        "tokens": {str(number): one for number, one in enumerate(tokens)},
        "segments": {"0": {"type": "crypt", "encryption": "aes-xts-plain64"}},
        "digests": {"0": {"type": "pbkdf2", "keyslots": list(slots) if bound is None else bound}},
        "config": {},
    }


def second_version(described: object, length: int = 16384) -> bytes:
    """4096 bytes and then the JSON, under a SHA-256 of both."""
    fields = struct.pack(
        ">6sHQQ48s32s64s40s48sQ184s64s",
        b"LUKS\xba\xbe", 2, length, 1, b"", b"sha256", bytes(64), UUID.encode(), b"", 0, b"", b"",
    )  # fmt: skip
    text = json.dumps(described).encode()
    header = fields.ljust(4096, b"\0") + text.ljust(length - 4096, b"\0")
    return header[:448] + hashlib.sha256(header).digest().ljust(64, b"\0") + header[512:]


def first_version(*enabled: int) -> bytes:
    """592 bytes with eight slots, in the middle of as many as are read."""
    slots = b"".join(
        bytes.fromhex("00AC71F3" if number in enabled else "0000DEAD") + bytes([number]) * 44
        for number in range(8)
    )
    start = struct.pack(">6sH", b"LUKS\xba\xbe", 1).ljust(168, b"\0")
    return (start + UUID.encode().ljust(40, b"\0") + slots).ljust(4096, b"\0")
