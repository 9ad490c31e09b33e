"""Which volumes are encrypted and what opens them; and that no key material is ever read.

Layers as Documentation/ABI/testing/sysfs-block-dm shows them; tokens: systemd-cryptenroll(1).
"""

import base64
import json
import random
import shutil
import subprocess

import pytest

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT
from flashworthy_agent.probes.inputs import FilesBelow
from flashworthy_agent.probes.linux.luks import (
    FIRST_BYTES,
    Protectors,
    header_bytes,
    parse_header,
)
from flashworthy_agent.probes.linux.protection import look_at_protection
from flashworthy_common.report import ProtectorKind, Volume
from flashworthy_common.values import Unknown
from support import luks_headers as build
from support.trees import NoPrograms, grow

CORRUPT = Unknown("corrupt: the LUKS header is not as its own checksum or format says")
NO_KEY = Unknown("no key slot is in use")
SEALED = Unknown("a sealed key slot cannot be suspended on this system")


# ---- headers ----------------------------------------------------------------------------------

ONE, TWO = {"0": build.slot()}, {"0": build.slot(), "1": build.slot("cGVwcGVy")}
TPM_0, TPM_1 = build.token("systemd-tpm2", "0"), build.token("systemd-tpm2", "1")


def in_envelope(pin, *slots):
    """A token that keeps the sealed key in a JWE (RFC 7516), which names what opens it."""
    protected = base64.urlsafe_b64encode(json.dumps({"clevis": {"pin": pin}}).encode())
    return build.token("clevis", *slots, jwe={"protected": protected.decode().rstrip("=")})


@pytest.mark.parametrize(
    ("described", "kind"),
    [
        (build.description(ONE), ProtectorKind.PASSPHRASE),
        (build.description(ONE, TPM_0), ProtectorKind.TPM),
        (build.description(TWO, TPM_1), ProtectorKind.BOTH),
        (build.description(TWO, TPM_0, TPM_1), ProtectorKind.TPM),
        # a recovery key is typed in like a passphrase
        (build.description(TWO, TPM_0, build.token("systemd-recovery", "1")), ProtectorKind.BOTH),
        (build.description(TWO, TPM_0, build.token("systemd-fido2", "1")), ProtectorKind.TPM),
        (build.description(ONE, build.token("systemd-fido2", "0")), ProtectorKind.OTHER),
        (build.description(ONE, in_envelope("tpm2", "0")), ProtectorKind.TPM),
        (build.description(TWO, in_envelope("tpm2", "0")), ProtectorKind.BOTH),
        (build.description(ONE, in_envelope("tang", "0")), ProtectorKind.OTHER),
        # slots that do not open the volume
        (build.description(TWO, TPM_1, bound=["1"]), ProtectorKind.TPM),
        (build.description(ONE | {"1": build.slot(kind="reencrypt")}, TPM_0), ProtectorKind.TPM),
        (build.description(ONE, TPM_1), ProtectorKind.PASSPHRASE),
        (build.description({}), NO_KEY),
    ],
)
def test_what_opens_a_volume_is_read_from_slots_and_tokens(described, kind):
    assert parse_header(build.second_version(described)).kind == kind


@pytest.mark.parametrize(
    ("enabled", "kind"),
    [((0,), ProtectorKind.PASSPHRASE), ((7,), ProtectorKind.PASSPHRASE), ((), NO_KEY)],
)
def test_the_first_version_knows_passphrases_only(enabled, kind):
    assert parse_header(build.first_version(*enabled)).kind == kind


def protector_id(*described):
    return parse_header(build.second_version(build.description(*described))).protector_id


def test_a_protector_is_another_once_a_key_that_is_not_sealed_changes():
    before = protector_id(TWO, TPM_1)

    assert before.startswith(f"{build.UUID}/")
    assert protector_id({"0": build.slot("bmV3"), "1": TWO["1"]}, TPM_1) != before
    assert protector_id({"0": TWO["0"], "1": build.slot("bmV3")}, TPM_1) == before  # sealed anew
    assert parse_header(build.first_version(0)) != parse_header(build.first_version(0, 1))


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        (b"", Unknown("no LUKS header is there; it may lie elsewhere")),
        (bytes(FIRST_BYTES), Unknown("no LUKS header is there; it may lie elsewhere")),
        (b"LUKS\xba\xbe\0\3".ljust(FIRST_BYTES, b"\0"),
         Unknown("LUKS version 3 is not known here")),
        (build.second_version(build.description(ONE))[:9000], CORRUPT),  # cut short
        (build.second_version(build.description(ONE)).replace(b"luks2", b"luks3"), CORRUPT),
        (build.second_version([]), CORRUPT),
        (build.second_version({"keyslots": {}}), CORRUPT),
        (build.second_version(build.description(ONE, {"type": 7, "keyslots": ["0"]})), CORRUPT),
        (build.second_version(build.description(ONE, {"type": "systemd-tpm2"})), CORRUPT),
        (build.second_version(build.description({"0": 5})), CORRUPT),
    ],
)  # fmt: skip
def test_a_header_that_cannot_be_relied_on_is_a_reason(header, expected):
    assert parse_header(header) == expected


@pytest.mark.parametrize(
    ("first", "length"),
    [
        (build.second_version({}, 16384), 16384),
        (build.second_version({}, 65536), 65536),
        (b"LUKS\xba\xbe\0\2" + b"\xff" * 8, 4 << 20),  # LUKS2 §2.2: never more than 4 MiB
        (b"LUKS\xba\xbe\0\2" + bytes(8), FIRST_BYTES),
        (build.first_version(0), FIRST_BYTES),
        (b"", FIRST_BYTES),
    ],
)
def test_no_more_is_read_than_the_header(first, length):
    assert header_bytes(first[:FIRST_BYTES]) == length


def test_a_mutated_header_never_raises():
    chance = random.Random(2)
    headers = build.second_version(build.description(TWO, TPM_1)), build.first_version(0)
    for _ in range(2_000):
        mutated = bytearray(chance.choice(headers))
        for _ in range(chance.randint(1, 6)):
            mutated[chance.randrange(600)] = chance.randrange(256)
        found = parse_header(bytes(mutated))
        assert isinstance(found, Protectors | Unknown)


def test_a_mutated_description_never_raises():
    chance = random.Random(3)
    text = json.dumps(build.description(TWO, TPM_1, in_envelope("tpm2", "0")))
    for _ in range(2_000):
        place = chance.randrange(len(text))
        broken = text[:place] + chance.choice(["", "0", "null", "{}", '"', "["]) + text[place + 1 :]
        try:
            described = json.loads(broken)
        except ValueError:
            continue
        assert isinstance(parse_header(build.second_version(described)), Protectors | Unknown)


# ---- layers -----------------------------------------------------------------------------------

HEADER = build.second_version(build.description(TWO, TPM_1))


def mounted(device="8:2", kind="ext4", source="/dev/sda2"):
    return {"/proc/self/mountinfo": f"22 1 {device} / / rw - {kind} {source} rw\n"}


def device(name, *below, number=None, mapped="", kind=""):
    """One block device, what it is made of, and what the device mapper says of it."""
    tree = {f"/sys/class/block/{name}/slaves/{one}": "" for one in below}
    tree[f"/sys/class/block/{name}/size"] = "1\n"
    if number:
        tree[f"/sys/dev/block/{number}/uevent"] = f"MAJOR=1\nDEVNAME={name.replace('!', '/')}\n"
    if kind:
        folder = f"/sys/class/block/{name}/dm"
        tree |= {f"{folder}/name": f"{mapped}\n", f"{folder}/uuid": f"{kind}\n"}
    return tree


def volumes(root, *trees, files=FilesBelow):
    for tree in trees:
        grow(root, tree)
    return look_at_protection(Access(files(root), NoPrograms())).volumes


CRYPT = device(
    "dm-0", "sda3", number="253:0", mapped="sda3_crypt", kind="CRYPT-LUKS2-6a1d-sda3_crypt"
)
LVM = device("dm-1", "dm-0", number="253:1", mapped="vg-root", kind="LVM-abc")
PLAIN = Volume(name="sda2", is_system=True, encrypted=False)


def opened(name="sda3_crypt", *, is_system=True):
    found = parse_header(HEADER)
    return Volume(
        name=name,
        is_system=is_system,
        encrypted=True,
        protector=ProtectorKind.BOTH,
        protector_id=found.protector_id,
        suspended_restarts=SEALED,
    )


@pytest.mark.parametrize(
    ("trees", "expected"),
    [
        ([mounted(), device("sda2", number="8:2")], (PLAIN,)),
        ([mounted("253:0"), CRYPT, {"/dev/sda3": HEADER}], (opened(),)),
        # a volume group within the encrypted partition
        ([mounted("253:1"), CRYPT, LVM, {"/dev/sda3": HEADER}], (opened(),)),
        # btrfs has a number of its own, and says what was mounted
        ([mounted("0:31", "btrfs", "/dev/mapper/sda3_crypt"), CRYPT, {"/dev/sda3": HEADER}],
         (opened(),)),
        ([mounted("0:31", "btrfs", "/dev/sda2"), device("sda2")], (PLAIN,)),
        # a volume on two disks, one of them encrypted
        ([mounted("253:1"), CRYPT, device("sda2"), {"/dev/sda3": HEADER},
          device("dm-1", "dm-0", "sda2", number="253:1", mapped="vg-root", kind="LVM-abc")],
         (opened(), PLAIN)),
        # another encrypted volume is told, and is not the system's
        ([mounted(), device("sda2", number="8:2"), CRYPT, {"/dev/sda3": HEADER}],
         (PLAIN, opened(is_system=False))),
        # a layer that only keeps watch
        ([mounted("253:2"), device("sda2"),
          device("dm-2", "sda2", number="253:2", mapped="root", kind="CRYPT-VERITY-abc-root")],
         (PLAIN,)),
        ([mounted("253:0"), {"/dev/sda3": HEADER},
          device("dm-0", "dm-5", number="253:0", mapped="sda3_crypt", kind="CRYPT-LUKS2-6a1d-x"),
          device("dm-5", "sda3", mapped="x_dif", kind="CRYPT-INTEGRITY-x")],
         (opened(),)),
        # a slash in a kernel's name
        ([mounted("104:2"), device("cciss!c0d0p2", number="104:2")],
         (Volume(name="cciss!c0d0p2", is_system=True, encrypted=False),)),
        # what cannot be told
        ([mounted("0:21", "overlay", "overlay")],
         Unknown("the system lies on overlay overlay, which is no disk that the kernel names")),
        ([mounted("0:27", "zfs", "pool/root")],
         Unknown("the system lies on zfs pool/root, which is no disk that the kernel names")),
        ([{"/proc/self/mountinfo": ""}], Unknown("nothing is mounted at /")),
        ([{}], ANOTHER_ROOT),
    ],
)  # fmt: skip
def test_the_layers_below_the_system_decide(tmp_path, trees, expected):
    assert volumes(tmp_path, *trees) == expected


@pytest.mark.parametrize(
    ("trees", "because"),
    [
        ([CRYPT], "not there: /dev/sda3"),
        ([CRYPT, {"/dev/sda3": bytes(5000)}], "no LUKS header is there; it may lie elsewhere"),
        ([CRYPT, {"/dev/sda3/x": ""}], "cannot be read: /dev/sda3: not a regular file"),
        ([device("dm-0", "sda3", number="253:0", mapped="a", kind="CRYPT-PLAIN-a")],
         "it is encrypted in another way than LUKS"),
        ([device("dm-0", number="253:0", mapped="a", kind="CRYPT-LUKS1-a")],
         "the kernel does not name the device below it"),
    ],
)  # fmt: skip
def test_encrypted_is_known_where_what_opens_it_is_not(tmp_path, trees, because):
    (found,) = volumes(tmp_path, mounted("253:0"), *trees)

    assert (found.encrypted, found.is_system) == (True, True)
    assert found.protector == found.protector_id == Unknown(because)


def test_layers_in_a_circle_end(tmp_path):
    circle = device("dm-0", "dm-0", number="253:0", mapped="a", kind="LVM-a")

    assert volumes(tmp_path, mounted("253:0"), circle) == (
        Volume(name="a", is_system=True, encrypted=False),
    )


def test_no_more_of_a_disk_is_read_than_its_header(tmp_path):
    read = []

    class Watching(FilesBelow):
        def _read_head(self, path, size):
            read.append((path, size))
            return super()._read_head(path, size)

    volumes(tmp_path, mounted("253:0"), CRYPT, {"/dev/sda3": HEADER + bytes(9999)}, files=Watching)

    assert read == [("/dev/sda3", FIRST_BYTES), ("/dev/sda3", len(HEADER))]


# ---- real headers -----------------------------------------------------------------------------


def cryptsetup(*arguments, given=""):
    subprocess.run(
        ["cryptsetup", *map(str, arguments)], input=given, text=True, check=True,
        capture_output=True, timeout=60,
    )  # fmt: skip


@pytest.fixture
def volume(tmp_path):
    """A file that stands for a partition; it is given a header, and is never opened."""
    if not shutil.which("cryptsetup"):
        pytest.skip("the program cryptsetup is not there")
    file = tmp_path / "dev" / "sda3"
    file.parent.mkdir()
    file.write_bytes(bytes(32 << 20))
    return file


def format_volume(volume, kind):
    cryptsetup("luksFormat", "-q", "--type", kind, "--pbkdf", "pbkdf2",
               "--pbkdf-force-iterations", 1000, volume, "-", given="secret")  # fmt: skip


def add_key(volume):
    key = volume.with_name("key")
    key.write_text("another")
    cryptsetup("luksAddKey", "-q", "--pbkdf", "pbkdf2", "--pbkdf-force-iterations", 1000,
               "--key-file", "-", volume, key, given="secret")  # fmt: skip


def seal(volume, slot):
    """The token of systemd-cryptenroll, as its own plug-in accepts it."""
    token = build.token(
        "systemd-tpm2", slot, **{
            "tpm2-blob": "AAAA", "tpm2-pcrs": [7], "tpm2-pcr-bank": "sha256",
            "tpm2-primary-alg": "ecc", "tpm2-policy-hash": "ab" * 32,
        },
    )  # fmt: skip
    cryptsetup("token", "import", volume, given=json.dumps(token))


def seen(volume):
    root = volume.parents[1]
    (found,) = volumes(root, mounted("253:0"), CRYPT)
    uuid = subprocess.run(
        ["cryptsetup", "luksUUID", volume], text=True, check=True, capture_output=True, timeout=60
    ).stdout.strip()
    return found, uuid


@pytest.mark.system
@pytest.mark.parametrize("kind", ["luks1", "luks2"])
def test_a_real_header_with_a_passphrase(volume, kind):
    format_volume(volume, kind)

    found, uuid = seen(volume)

    assert found.protector is ProtectorKind.PASSPHRASE
    assert found.protector_id.startswith(f"{uuid}/")


@pytest.mark.system
def test_a_real_header_with_a_sealed_key_and_another(volume):
    format_volume(volume, "luks2")
    seal(volume, "0")
    alone, _ = seen(volume)
    add_key(volume)

    both, _ = seen(volume)

    assert (alone.protector, both.protector) == (ProtectorKind.TPM, ProtectorKind.BOTH)
    assert alone.protector_id != both.protector_id
