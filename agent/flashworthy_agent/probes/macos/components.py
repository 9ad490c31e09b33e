"""The parts with firmware of their own, and which firmware that is. Shown, not judged."""

from collections.abc import Iterator

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.macos.answers import Item, hardware, items_in, profiled, text_in
from flashworthy_common.report import Component, ComponentsSection
from flashworthy_common.values import Unknown

_DRIVES = ("SPNVMeDataType", "SPSerialATADataType")


def look_at_components(access: Access) -> ComponentsSection:
    return ComponentsSection(
        seen_at=access.now(),
        source="system_profiler: SPNVMeDataType, SPSerialATADataType, SPiBridgeDataType",
        items=(*_drives(access), *_security_chip(access), *_loader(access)),
    )


def _drives(access: Access) -> Iterator[Component]:
    """Of whichever bus; a machine without one of them has no such list."""
    told = [profiled(access, kind) for kind in _DRIVES]
    untold = [each for each in told if isinstance(each, Unknown)]
    if len(untold) == len(told):
        yield Component(kind="drive", name="all drives", version_text=untold[0])
    for controllers in told:
        for controller in () if isinstance(controllers, Unknown) else controllers:
            yield from map(_drive, items_in(controller, "_items"))


def _drive(item: Item) -> Component:
    name = text_in(item, "device_model")
    return Component(
        kind="drive",
        name="drive" if isinstance(name, Unknown) else name,
        version_text=text_in(item, "device_revision", "the system profiler"),
    )


def _security_chip(access: Access) -> Iterator[Component]:
    """A chip of its own, where there is one; newer processors hold it."""
    told = profiled(access, "SPiBridgeDataType")
    for item in () if isinstance(told, Unknown) else told:
        version, name = text_in(item, "ibridge_build"), text_in(item, "ibridge_model_name")
        if isinstance(version, str):
            chip = "security chip" if isinstance(name, Unknown) else name
            yield Component(kind="security chip", name=chip, version_text=version)


def _loader(access: Access) -> Iterator[Component]:
    version = text_in(hardware(access), "os_loader_version")
    if isinstance(version, str):
        yield Component(kind="loader", name="loader of the system", version_text=version)
