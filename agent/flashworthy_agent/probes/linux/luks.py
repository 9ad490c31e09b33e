"""A LUKS header -> who can open the volume. Never key material.

Only the header is read, never the areas that hold keys, and of it nothing is kept but kinds, the
volume's UUID and a digest.

- Version 2 keeps its description as JSON behind 4096 bytes, all of it under a checksum (LUKS2
  on-disk format specification, §2 and §3). A token ties key slots to what releases them.
- A slot that no token speaks of opens by a passphrase; version 1 knows no tokens at all.
- A sealed slot is told by `systemd-cryptenroll`'s token, or by any other that names a TPM 2.0.
"""

import base64
import json
from typing import Any, NamedTuple

from flashworthy_common.report import ProtectorKind
from flashworthy_common.values import Maybe, Unknown

FIRST_BYTES = 4096  # enough to tell what it is, and how long
_MAGIC = b"LUKS\xba\xbe"
_UUID = slice(168, 208)  # in both versions
_CHECKSUM = slice(448, 512)
_LONGEST_BYTES = 4 << 20  # LUKS2 §2.2
_V1_SLOT_BYTES = 48  # LUKS1 §2.1
_V1_STARTS = range(208, 208 + 8 * _V1_SLOT_BYTES, _V1_SLOT_BYTES)
_V1_ENABLED = bytes.fromhex("00AC71F3")
_NO_HEADER = Unknown("no LUKS header is there; it may lie elsewhere")
_NOT_AS_DESCRIBED = (ValueError, LookupError, TypeError, AttributeError, RecursionError)
_CORRUPT = Unknown("corrupt: the LUKS header is not as its own checksum or format says")

# Tokens of systemd-cryptenroll(1) that stand for something a person has or knows.
_RECOVERY_TOKEN = "systemd-recovery"  # noqa: S105  (a kind, not a secret)


class Protectors(NamedTuple):
    """Who can open a volume."""

    kind: Maybe[ProtectorKind]
    protector_id: str  # changes with every key that is not sealed, but not by sealing anew


def header_bytes(first: bytes) -> int:
    """How long the header is that begins so; no more than `FIRST_BYTES` where it is none."""
    if first[:8] != _MAGIC + b"\0\2":
        return FIRST_BYTES
    return min(_LONGEST_BYTES, max(FIRST_BYTES, int.from_bytes(first[8:16], "big")))


def parse_header(data: bytes) -> Maybe[Protectors]:
    """Who can open the volume whose header is `data`."""
    if len(data) < FIRST_BYTES or not data.startswith(_MAGIC):
        return _NO_HEADER
    version = int.from_bytes(data[6:8], "big")
    uuid = data[_UUID].partition(b"\0")[0].decode("ascii", "replace")
    if version == 1:
        return _first_version(data, uuid)
    if version == 2:
        return _second_version(data, uuid)
    return Unknown(f"LUKS version {version} is not known here")


def without_keys(data: bytes) -> bytes:
    """The same header without UUID, salts, digests and sealed keys, under a checksum of its own.

    What opens the volume still reads the same. What is no header, or a corrupt one, is emptied.
    """
    if not data.startswith(_MAGIC):
        return bytes(len(data))
    kept = bytearray(len(data))
    kept[:16] = data[:16]  # magic, version, length
    if data[6:8] == b"\0\1":
        for at in _V1_STARTS:
            kept[at : at + 4] = data[at : at + 4]
    elif (text := _json_without_keys(data)) is not None:
        kept[FIRST_BYTES : FIRST_BYTES + len(text)] = text
        kept[_CHECKSUM] = _checksum(bytes(kept)).ljust(64, b"\0")
    return bytes(kept)


def _json_without_keys(data: bytes) -> bytes | None:
    try:
        described = _without_keys(json.loads(_checked_json(data)))
    except _NOT_AS_DESCRIBED:
        return None
    return json.dumps(described, separators=(",", ":")).encode()


def _without_keys(described: dict[str, Any]) -> dict[str, Any]:
    """What says which slots there are, which of them open the volume, and by what."""
    return {
        "keyslots": {name: {"type": slot["type"]} for name, slot in described["keyslots"].items()},
        "digests": {
            name: {"keyslots": one["keyslots"]} for name, one in described["digests"].items()
        },
        "tokens": {
            name: {"type": "tpm2" if _is_sealed(token) else token["type"],
                   "keyslots": token["keyslots"]}
            for name, token in described["tokens"].items()
        },
    }  # fmt: skip


def _first_version(data: bytes, uuid: str) -> Protectors:
    slots = [data[at : at + _V1_SLOT_BYTES] for at in _V1_STARTS]
    enabled = b"".join(slot for slot in slots if slot.startswith(_V1_ENABLED))
    kind = ProtectorKind.PASSPHRASE if enabled else Unknown("no key slot is in use")
    return Protectors(kind, _protector_id(uuid, enabled))


def _second_version(data: bytes, uuid: str) -> Maybe[Protectors]:
    try:
        described = json.loads(_checked_json(data))
        slots, tokens = _open_slots(described), list(described["tokens"].values())
        sealed = {slot for token in tokens if _is_sealed(token) for slot in token["keyslots"]}
        others = {slot for token in tokens if _is_other(token) for slot in token["keyslots"]}
    except _NOT_AS_DESCRIBED:
        return _CORRUPT
    unsealed = {name: slot for name, slot in slots.items() if name not in sealed}
    kind = _kind(is_sealed=bool(sealed & slots.keys()), is_typed=bool(unsealed.keys() - others),
                 is_other=bool(unsealed.keys() & others))  # fmt: skip
    return Protectors(kind, _protector_id(uuid, json.dumps(unsealed, sort_keys=True).encode()))


def _checked_json(data: bytes) -> bytes:
    """The description, if the checksum over the whole header is right; else none."""
    length = header_bytes(data)
    digest = _checksum(data[:length])
    is_whole = len(data) >= length and digest == data[_CHECKSUM][: len(digest)]
    return data[FIRST_BYTES:length].partition(b"\0")[0] if is_whole else b""


def _checksum(header: bytes) -> bytes:
    import hashlib  # late: only a machine with such a volume needs it

    unsigned = header[: _CHECKSUM.start] + bytes(64) + header[_CHECKSUM.stop :]
    return hashlib.sha256(unsigned).digest()


def _open_slots(described: dict[str, Any]) -> dict[str, Any]:
    """The key slots that open the volume: others are unbound, or of an encryption under way."""
    bound = {name for digest in described["digests"].values() for name in digest["keyslots"]}
    return {
        name: slot
        for name, slot in described["keyslots"].items()
        if name in bound and slot["type"] == "luks2"
    }


def _is_sealed(token: dict[str, Any]) -> bool:
    return "tpm2" in token["type"] or "tpm2" in _named_in_envelope(token)


def _is_other(token: dict[str, Any]) -> bool:
    return not _is_sealed(token) and token["type"] != _RECOVERY_TOKEN


def _named_in_envelope(token: dict[str, Any]) -> str:
    """What the protected header of a JWE (RFC 7516 §4) says; empty where the token has none.

    Tokens that keep the sealed key in such an envelope name there what opens it.
    """
    envelope = token.get("jwe")
    if not isinstance(envelope, dict):
        return ""
    protected = str(envelope.get("protected", ""))
    padded = protected + "=" * (-len(protected) % 4)
    return base64.urlsafe_b64decode(padded).decode("utf-8", "replace")


def _kind(*, is_sealed: bool, is_typed: bool, is_other: bool) -> Maybe[ProtectorKind]:
    if is_sealed:
        return ProtectorKind.BOTH if is_typed else ProtectorKind.TPM
    if is_typed:
        return ProtectorKind.PASSPHRASE
    return ProtectorKind.OTHER if is_other else Unknown("no key slot is in use")


def _protector_id(uuid: str, slots: bytes) -> str:
    """Names the keys without telling of them: their salts go into a digest of one way."""
    import hashlib

    return f"{uuid}/{hashlib.sha256(slots).hexdigest()[:8]}"
