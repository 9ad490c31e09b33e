"""Which volumes of a machine a change of its firmware may lock."""

from flashworthy_common.report import ProtectorKind, Report, Volume
from flashworthy_common.values import Maybe, Unknown

_SEALED = (ProtectorKind.TPM, ProtectorKind.BOTH)


def system_volumes(report: Report) -> Maybe[tuple[Volume, ...]]:
    volumes = report.protection.volumes
    if isinstance(volumes, Unknown):
        return volumes
    system = tuple([volume for volume in volumes if volume.is_system])
    return system or Unknown("no volume is named as the system's")


def sealed_volumes(report: Report) -> tuple[Volume, ...]:
    """The system's volumes whose key the TPM holds, whatever else opens them."""
    volumes = system_volumes(report)
    if isinstance(volumes, Unknown):
        return ()
    return tuple([volume for volume in volumes if volume.protector in _SEALED])
