"""What a network driver tells of its adapter: the driver information of ``linux/ethtool.h``."""

import array
import os
import socket
import struct
from typing import NamedTuple

_SIOCETHTOOL = 0x8946  # linux/sockios.h
_ETHTOOL_GDRVINFO = 0x00000003
# struct ethtool_drvinfo: command, driver, version, fw_version, bus_info, erom_version, the rest
_INFORMATION = struct.Struct("=I32s32s32s32s32s32s")
_INFORMATION_BYTES = 196
_REQUEST = "16sP"  # struct ifreq: the name, and where the information lies


class DriverInformation(NamedTuple):
    """The driver's name, and the adapter's firmware as it calls it; empty where it does not."""

    driver: str
    firmware: str


def driver_information(interface: str) -> bytes:
    """What the driver of a network interface of this machine answers; any user may ask it."""
    import fcntl  # late: only the running system needs it, and only some systems have it

    answer = array.array("B", struct.pack(f"=I{_INFORMATION_BYTES - 4}x", _ETHTOOL_GDRVINFO))
    request = struct.pack(_REQUEST, os.fsencode(interface)[:15], answer.buffer_info()[0])
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        fcntl.ioctl(asking, _SIOCETHTOOL, request)
    return answer.tobytes()


def parse_information(answer: bytes) -> DriverInformation:
    """The answer of the kernel: texts of 32 bytes that end with a zero byte."""
    _, driver, _, firmware, *_ = _INFORMATION.unpack_from(answer)
    return DriverInformation(_text(driver), _text(firmware))


def _text(octets: bytes) -> str:
    text = octets.partition(b"\0")[0].decode("utf-8", "replace").strip()
    return "" if text == "N/A" else text
