"""Raw inputs that only a running Linux has."""

import array
import fcntl
import os
import socket
import struct

from flashworthy_agent.probes.linux.ethtool import INFORMATION_BYTES

_SIOCETHTOOL = 0x8946  # linux/sockios.h
_ETHTOOL_GDRVINFO = 0x00000003
_REQUEST = "16sP"  # struct ifreq: the name, and where the information lies


def driver_information(interface: str) -> bytes:
    """What the driver of a network interface of this machine answers; any user may ask it."""
    answer = array.array("B", struct.pack(f"=I{INFORMATION_BYTES - 4}x", _ETHTOOL_GDRVINFO))
    request = struct.pack(_REQUEST, os.fsencode(interface)[:15], answer.buffer_info()[0])
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        fcntl.ioctl(asking, _SIOCETHTOOL, request)
    return answer.tobytes()
