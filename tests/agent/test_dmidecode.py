"""The last source of SMBIOS facts: what `dmidecode --dump` prints, read back into the table."""

import shutil

import pytest

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.linux.dmidecode import dumped_table, parse_dump
from flashworthy_agent.probes.linux.firmware import look_at_firmware
from flashworthy_agent.probes.linux.identity import look_at_identity
from flashworthy_agent.probes.linux.power import look_at_power
from flashworthy_agent.probes.live import RunningSystem
from flashworthy_agent.probes.programs import Outcome, Programs
from flashworthy_common.smbios import ReleaseNumber
from flashworthy_common.values import Unknown
from support import smbios_tables as build
from support.trees import LiveTree, grow

# As dmidecode 3.4 prints it.
DUMP = """\
# dmidecode 3.4
Reading SMBIOS/DMI data from file table.bin.
SMBIOS 3.5.0 present.

Handle 0x0000, DMI type 0, 26 bytes
	Header and Data:
		00 1A 00 00 01 02 00 E0 03 7F 00 08 00 00 00 00
		00 00 00 00 01 1D FF FF 00 00
	Strings:
		42 72 69 67 68 74 77 61 74 65 72 00
		Brightwater
		4B 31 2E 32 39 00
		K1.29
		30 35 2F 30 34 2F 32 30 32 33 00
		05/04/2023

Handle 0xFEFF, DMI type 127, 4 bytes
	Header and Data:
		7F 04 FF FE

"""


class Dmidecode(Programs):
    def __init__(self, answer):
        self.answer, self.asked = answer, 0

    def has(self, name):
        return name == "dmidecode"

    def run(self, arguments, timeout_seconds):
        self.asked += 1
        return Outcome(0, self.answer, "/dev/mem: Permission denied\n")


def access(root, programs, **tree):
    return Access(LiveTree(grow(root, {"/sys/kernel/x": "", "/dev/mem": "", **tree})), programs)


def test_a_dump_holds_the_table_byte_by_byte():
    assert parse_dump(DUMP) == (ReleaseNumber(3, 5), build.table(build.firmware()))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "# dmidecode 3.4\n# No SMBIOS nor DMI entry point found, sorry.\n",
        "Handle 0x0000, DMI type 0, 26 bytes\n\t<TRUNCATED>\n",
        "Handle ",
    ],
)
def test_what_is_no_dump_holds_nothing(text):
    assert parse_dump(text) == (Unknown("dmidecode names no version"), b"")


def test_a_string_that_looks_like_bytes_is_read_once():
    text = DUMP.replace("4B 31 2E 32 39 00\n\t\tK1.29", "41 41 20 42 42 00\n\t\tAA BB")

    _, table = parse_dump(text)

    assert table == build.table(build.firmware(version="AA BB"))


def test_a_kernel_without_a_table_leaves_it_to_the_program(tmp_path):
    program = Dmidecode(DUMP)
    look = access(tmp_path, program)

    firmware, power = look_at_firmware(look), look_at_power(look)

    assert (firmware.maker, firmware.version_text) == ("Brightwater", "K1.29")
    assert firmware.source == "dmidecode"
    assert power.supplies == ()
    assert program.asked == 1  # once for all probes of one look


def test_a_kernel_with_a_table_is_believed(tmp_path):
    program = Dmidecode(DUMP)
    table = {"/sys/firmware/dmi/tables/DMI": build.table(build.firmware(version="K1.34"))}

    found = look_at_firmware(access(tmp_path, program, **table))

    assert (found.version_text, program.asked) == ("K1.34", 0)


def test_where_memory_cannot_be_read_the_program_is_not_run(tmp_path):
    program = Dmidecode(DUMP)
    look = Access(LiveTree(grow(tmp_path, {"/sys/kernel/x": ""})), program)

    found = look_at_firmware(look)

    assert found.maker == Unknown("this kernel shows no SMBIOS table")
    assert program.asked == 0


def test_a_program_that_finds_nothing_either_says_so(tmp_path):
    found = look_at_identity(access(tmp_path, Dmidecode("# dmidecode 3.4\n")))

    assert found.system_serial == Unknown(
        "this kernel shows no SMBIOS table; "
        "dmidecode finds none either: /dev/mem: Permission denied"
    )


# ---- the real program -------------------------------------------------------------------------


@pytest.mark.system
@pytest.mark.skipif(not shutil.which("dmidecode"), reason="the program dmidecode is not there")
def test_the_real_program_dumps_what_is_in_a_table(tmp_path):
    table = build.table(
        build.firmware(vendor=b"Soci\xe9t\xe9"), build.system(serial="32 00"), build.baseboard(),
        build.chassis(elements=(b"\1\2\3", b"\4\5\6")), build.battery(), build.power_supply(),
        build.inventory(), build.raw_structure(200, bytes(60), [b"x" * 60, b" "]),
    )  # fmt: skip
    file = tmp_path / "table.bin"
    file.write_bytes(build.dump(table, (3, 5)))

    class FromFile(Programs):
        def run(self, arguments, timeout_seconds):
            return super().run([*arguments, "--from-dump", str(file)], timeout_seconds)

    assert dumped_table(FromFile(RunningSystem())) == (ReleaseNumber(3, 5), table)
