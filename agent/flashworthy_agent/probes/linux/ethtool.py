"""What a network driver tells of its adapter: the driver information of ``linux/ethtool.h``."""

import struct
from typing import NamedTuple

# struct ethtool_drvinfo: command, driver, version, fw_version, bus_info, erom_version, the rest
_INFORMATION = struct.Struct("=I32s32s32s32s32s32s")
INFORMATION_BYTES = 196


class DriverInformation(NamedTuple):
    """The driver's name, and the adapter's firmware as it calls it; empty where it does not."""

    driver: str
    firmware: str


def parse_information(answer: bytes) -> DriverInformation:
    """The answer of the kernel: texts of 32 bytes that end with a zero byte."""
    _, driver, _, firmware, *_ = _INFORMATION.unpack_from(answer)
    return DriverInformation(_text(driver), _text(firmware))


def _text(octets: bytes) -> str:
    text = octets.partition(b"\0")[0].decode("utf-8", "replace").strip()
    return "" if text == "N/A" else text
