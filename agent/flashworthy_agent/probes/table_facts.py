"""What any platform makes of a parsed SMBIOS table."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from flashworthy_common.report import Component, PowerSupply
from flashworthy_common.values import Maybe, Unknown

if TYPE_CHECKING:  # importing it costs more than most probes
    from flashworthy_common.smbios import Table

Find = Callable[["Table"], Any]

# What virtual machines call themselves in SMBIOS type 1, in lower case; *from memory*.
_VIRTUAL_MAKERS = frozenset({"qemu", "bochs", "xen", "innotek gmbh", "vmware, inc.", "bhyve"})
_VIRTUAL_PRODUCTS = frozenset(
    {"virtual machine", "kvm", "virtualbox", "hvm domu", "google compute engine", "openstack nova"}
)
VIRTUAL_BIT = "the firmware says so: SMBIOS type 0, virtual machine bit"
VIRTUAL_DOUBT = Unknown(
    "a hypervisor runs below this system; is it a virtual machine's or its own?"
)


def of(structure: str, field: str) -> Find:
    """Finds a field of one of the table's structures; why, where the structure is missing."""

    def find(table: "Table") -> Any:
        found = getattr(table, structure)
        return found if isinstance(found, Unknown) else getattr(found, field)

    return find


def virtual_name(maker: Maybe[str], product: Maybe[str]) -> str:
    """The maker or product by which a virtual machine gives itself away; else empty."""
    for name, virtual in ((maker, _VIRTUAL_MAKERS), (product, _VIRTUAL_PRODUCTS)):
        if isinstance(name, str) and name.strip().lower() in virtual:
            return name.strip()
    return ""


def supplies_of(table: "Table") -> tuple[PowerSupply, ...]:
    """Type 39 (DSP0134 §7.40); firmware does not always keep it up to date."""
    return tuple(
        PowerSupply(
            name=_first_known(unit.name, unit.location, default=f"supply {number}"),
            present=unit.is_present,
            unplugged=unit.is_unplugged,
            redundancy_group=unit.redundancy_group,
            status=unit.status,
        )
        for number, unit in enumerate(table.power_supplies, start=1)
    )


def listed_by_firmware(table: "Maybe[Table]") -> tuple[Component, ...]:
    """What the machine's firmware lists itself (type 45), or why that cannot be told."""
    listed = table if isinstance(table, Unknown) else table.inventory
    if isinstance(listed, Unknown):
        return (Component(kind="listed by firmware", name="SMBIOS type 45", version_text=listed),)
    return tuple(
        Component(
            kind="listed by firmware",
            name=_first_known(one.name, default=f"firmware {number}"),
            version_text=one.version_text,
        )
        for number, one in enumerate(listed, start=1)
    )


def _first_known(*names: Maybe[str], default: str) -> str:
    return next((name for name in names if not isinstance(name, Unknown)), default)
