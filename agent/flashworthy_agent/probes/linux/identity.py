"""What speaks for which machine this is."""

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import Files
from flashworthy_agent.probes.linux.smbios import smbios_of
from flashworthy_agent.probes.table_facts import of
from flashworthy_common.report import IdentitySection
from flashworthy_common.values import Maybe, Unknown


def look_at_identity(access: Access) -> IdentitySection:
    smbios = smbios_of(access)
    return IdentitySection(
        seen_at=access.now(),
        source=smbios.source,
        smbios_uuid=smbios.text("product_uuid", of("system", "uuid")),
        system_serial=smbios.text("product_serial", of("system", "serial")),
        board_serial=smbios.text("board_serial", of("board", "serial")),
        asset_tag=smbios.text("chassis_asset_tag", of("chassis", "asset_tag")),
        hostname=_hostname(access.files),
        place=Unknown("no place is configured"),
    )


def _hostname(files: Files) -> Maybe[str]:
    in_force = files.text("/proc/sys/kernel/hostname")
    return files.text("/etc/hostname") if isinstance(in_force, Unknown) else in_force
