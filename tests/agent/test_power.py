"""Power of odd machines.

Attributes, their units and words: the kernel's Documentation/ABI/testing/sysfs-class-power and
Documentation/power/power_supply_class.rst.
"""

import errno
import os

import pytest

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.inputs import FilesBelow
from flashworthy_agent.probes.linux.power import look_at_power
from flashworthy_common.report import Battery, PowerSupply
from flashworthy_common.values import Unknown
from support import smbios_tables as build
from support.trees import NoPrograms, grow, supply

FOLDER = "/sys/class/power_supply"
MAINS_ON, MAINS_OFF = supply("AC", type="Mains", online=1), supply("AC", type="Mains", online=0)
CELL = supply("BAT0", type="Battery", present=1, status="Discharging", capacity=62)


def power(root, *supplies):
    (root / FOLDER.lstrip("/")).mkdir(parents=True, exist_ok=True)
    for one in supplies:
        grow(root, one)
    return look_at_power(Access(FilesBelow(root), NoPrograms()))


def battery(root, **attributes):
    return power(root, supply("BAT0", type="Battery", **attributes)).batteries[0]


# ---- mains ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("supplies", "mains"),
    [
        ([MAINS_ON], True),
        ([MAINS_OFF, CELL], False),
        ([supply("ADP1", type="Mains", online=1)], True),  # mains of any name
        ([supply("ACAD", type="Mains", online=1)], True),
        ([MAINS_OFF, supply("ADP1", type="Mains", online=1), CELL], True),
        ([supply("ucsi-1", type="USB", online=1), CELL], True),  # 1: fixed voltage
        ([supply("ucsi-1", type="USB", online=2), CELL], True),  # 2: programmable
        ([supply("ucsi-1", type="USB", online=0), CELL], False),
        ([MAINS_OFF, supply("ucsi-1", type="USB", online=2), CELL], True),
        # a desktop whose USB sockets only give power
        (
            [supply("ucsi-1", type="USB", online=0)],
            Unknown("only sockets that deliver nothing are shown, and no battery"),
        ),
        ([supply("pad", type="USB", online=1, scope="Device"), MAINS_OFF, CELL], False),
        ([], Unknown("no mains supply is shown")),
        ([CELL], Unknown("no mains supply is shown")),
        ([supply("AC", type="Mains")], Unknown(f"not there: {FOLDER}/AC/online")),
        (
            [supply("AC", type="Mains", online="yes")],
            Unknown(f"expected a whole number in {FOLDER}/AC/online, got 'yes'"),
        ),
        # one source is enough, whatever else cannot be read
        ([MAINS_ON, supply("ucsi-1", type="USB")], True),
    ],
)
def test_mains_is_any_supply_from_outside_that_is_online(tmp_path, supplies, mains):
    assert power(tmp_path, *supplies).mains == mains


# ---- which batteries there are ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("supplies", "names"),
    [
        ([CELL], ["BAT0"]),
        ([supply("CMB0", type="Battery", capacity=50)], ["CMB0"]),
        ([CELL, supply("BAT1", type="Battery", capacity=9)], ["BAT0", "BAT1"]),
        ([CELL, supply("BAT1", type="Battery", present=0)], ["BAT0"]),  # an empty bay
        ([supply("hid-mouse", type="Battery", scope="Device", capacity=80)], []),
        ([supply("BAT0", type="Battery", scope="System", capacity=80)], ["BAT0"]),
        ([supply("BAT0", type="Battery", scope="Unknown", capacity=80)], ["BAT0"]),
        ([MAINS_ON], []),
        ([supply("desk", type="UPS", capacity=80)], []),
        ([], []),
    ],
)
def test_the_batteries_are_those_of_the_machine_itself(tmp_path, supplies, names):
    assert [found.name for found in power(tmp_path, *supplies).batteries] == names


def test_a_kernel_without_the_class_leaves_power_unknown(tmp_path):
    found = look_at_power(Access(FilesBelow(tmp_path), NoPrograms()))

    assert found.batteries == found.mains == Unknown(f"not there: {FOLDER}")


def test_a_supply_of_unreadable_type_leaves_the_batteries_unknown(tmp_path):
    found = power(tmp_path, CELL, supply("odd", online=1))

    assert found.batteries == Unknown(f"not there: {FOLDER}/odd/type")


# ---- one battery ------------------------------------------------------------------------------


def test_micro_becomes_milli_and_missing_attributes_stay_missing(tmp_path):
    found = battery(
        tmp_path,
        status="Not charging",
        capacity=80,
        energy_now=40_000_000,  # µWh
        energy_full=45_500_000,
        energy_full_design=50_000_000,
        power_now=8_250_000,  # µW
        cycle_count=312,
    )

    def missing(attribute):
        return Unknown(f"not there: {FOLDER}/BAT0/{attribute}")

    assert found == Battery(
        name="BAT0",
        state="not charging",
        percent=80,
        energy_mwh=40_000.0,
        full_mwh=45_500.0,
        design_mwh=50_000.0,
        charge_mah=missing("charge_now"),
        full_mah=missing("charge_full"),
        design_mah=missing("charge_full_design"),
        draw_mw=8_250.0,
        draw_ma=missing("current_now"),
        cycles=312,
        runtime_seconds=Unknown("it does not discharge"),
    )


def test_charge_is_not_energy(tmp_path):
    found = battery(tmp_path, charge_now=2_400_000, charge_full=4_800_000, current_now=-1_500_000)

    assert (found.charge_mah, found.full_mah) == (2_400.0, 4_800.0)  # from µAh
    assert found.draw_ma == 1_500.0  # some drivers sign a discharge
    assert isinstance(found.energy_mwh, Unknown)


NO_CAPACITY = Unknown(f"not there: {FOLDER}/BAT0/capacity")


@pytest.mark.parametrize(
    ("attributes", "percent"),
    [
        ({"capacity": 0}, 0),
        ({"capacity": 100}, 100),
        ({"capacity": 255}, Unknown(f"expected 0 to 100 in {FOLDER}/BAT0/capacity, got 255")),
        ({"capacity": -1}, Unknown(f"expected 0 to 100 in {FOLDER}/BAT0/capacity, got -1")),
        # power_supply_class.rst: energy in µWh; half of full
        ({"energy_now": 25_000_000, "energy_full": 50_000_000}, 50.0),
        ({"charge_now": 1_000_000, "charge_full": 4_000_000}, 25.0),
        ({"energy_now": 51_000_000, "energy_full": 50_000_000}, 100.0),
        # never one kind by the other
        ({"energy_now": 25_000_000, "charge_full": 4_000_000}, NO_CAPACITY),
        ({"charge_now": 1_000_000, "energy_full": 50_000_000}, NO_CAPACITY),
        # today's fill, not the design's
        ({"energy_now": 25_000_000, "energy_full_design": 50_000_000}, NO_CAPACITY),
        ({"energy_now": 25_000_000, "energy_full": 0}, NO_CAPACITY),
        ({}, NO_CAPACITY),
        # sysfs-class-power, capacity_error_margin: 100 means that capacity means nothing
        (
            {"capacity": 50, "capacity_error_margin": 100},
            Unknown("the kernel says that its value means nothing: error margin 100 percent"),
        ),
        ({"capacity": 50, "capacity_error_margin": 5}, 50),
    ],
)
def test_percent_is_told_or_computed_from_one_kind(tmp_path, attributes, percent):
    assert battery(tmp_path, **attributes).percent == percent


@pytest.mark.parametrize(
    ("attributes", "seconds"),
    [
        # power_supply_class.rst: µWh by µW are hours
        ({"energy_now": 25_000_000, "power_now": 10_000_000}, 9_000),
        ({"charge_now": 2_000_000, "current_now": -1_000_000}, 7_200),
        ({"time_to_empty_now": 4_321, "energy_now": 1, "power_now": 1}, 4_321),  # seconds
        ({"time_to_empty_now": 0, "energy_now": 5_000_000, "power_now": 10_000_000}, 1_800),
        # no draw is no estimate, and one kind says nothing of the other
        ({"energy_now": 25_000_000, "power_now": 0}, None),
        ({"energy_now": 25_000_000, "current_now": 1_000_000}, None),
        ({}, None),
    ],
)
def test_the_time_left_is_told_or_computed_from_one_kind(tmp_path, attributes, seconds):
    found = battery(tmp_path, status="Discharging", **attributes).runtime_seconds

    none = Unknown("its level and its draw are not told in one kind of unit")
    assert found == (none if seconds is None else seconds)


def test_a_battery_that_does_not_discharge_has_no_end(tmp_path):
    charging = battery(tmp_path / "a", status="Charging", energy_now=9, power_now=9)
    silent = battery(tmp_path / "b", energy_now=9, power_now=9)

    assert charging.runtime_seconds == Unknown("it does not discharge")
    assert silent.runtime_seconds == Unknown(f"not there: {FOLDER}/BAT0/status")


@pytest.mark.parametrize(
    ("word", "state"),
    [
        ("Charging", "charging"),
        ("Discharging", "discharging"),
        ("Not charging", "not charging"),
        ("Full", "full"),
        ("Unknown", Unknown("the kernel says that it does not know")),
    ],
)
def test_the_state_is_the_kernels_word(tmp_path, word, state):
    assert battery(tmp_path, status=word).state == state


def test_a_battery_that_goes_away_while_it_is_read_leaves_reasons(tmp_path):
    class Leaving(FilesBelow):
        def _read(self, path):
            if path.endswith("/energy_now"):
                raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
            return super()._read(path)

    grow(tmp_path, CELL | supply("BAT0", energy_now=1))

    found = look_at_power(Access(Leaving(tmp_path), NoPrograms())).batteries[0]

    assert found.energy_mwh == Unknown(f"the device went away: {FOLDER}/BAT0/energy_now")
    assert found.percent == 62


def test_the_battery_keeps_an_odd_name(tmp_path):
    odd = os.fsdecode(b"BAT\xe9")

    found = power(tmp_path, supply(odd, type="Battery", capacity=5))

    assert [cell.name for cell in found.batteries] == [odd]


# ---- power supply units -----------------------------------------------------------------------

TABLE = "/sys/firmware/dmi/tables/DMI"


def supplies(root, *structures):
    return power(root, {TABLE: build.table(build.firmware(), *structures)}).supplies


def test_supply_units_come_from_smbios(tmp_path):
    # DSP0134 §7.40.1: bit 1 present, bit 2 unplugged from the wall, bits 9:7 status, 3 is OK
    plugged = build.power_supply(flags=0b011 << 7 | 0b010)
    unplugged = build.power_supply(name="", location="rear right", flags=0b101 << 7 | 0b110)

    assert supplies(tmp_path, plugged, unplugged) == (
        PowerSupply(name="PS-A", present=True, unplugged=False, redundancy_group=1, status="OK"),
        PowerSupply(
            name="rear right", present=True, unplugged=True, redundancy_group=1, status="Critical"
        ),
    )


def test_a_unit_without_a_name_is_numbered(tmp_path):
    (found,) = supplies(tmp_path, build.power_supply(name="", location="", length=5))

    assert found.name == "supply 1"
    assert found.status == Unknown("the structure ends before this field")


def test_a_table_without_supply_units_has_none(tmp_path):
    assert supplies(tmp_path) == ()


def test_without_a_table_supply_units_are_unknown(tmp_path):
    assert isinstance(power(tmp_path, MAINS_ON).supplies, Unknown)
