"""Machines without an agent: a signed-in person says what stands there.

What they say is a report like any other, and newer than the one before it if it was said later.
A machine whose agent reports is not spoken for by a person.
"""

import json
import uuid
from datetime import datetime

from flashworthy_common.entered import Entry, report_of_entry
from flashworthy_common.ids import uuid7
from flashworthy_common.report import Report, report_to_json
from flashworthy_server.errors import AmbiguousNameError, ConflictError
from flashworthy_server.services import audit, ingest
from flashworthy_server.services.ingest import Receipt
from flashworthy_server.services.places import PlaceBy, canonical_place, note_place
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store.machines import StoredMachine
from flashworthy_server.wire import ReadReport

# Stands for the agent that such a machine does not have; made once, for this purpose.
_NAMESPACE = uuid.UUID("5b0f5f0e-6a53-4d5d-9f0c-7d1f5a3c2e10")


def enter_machine(site: Site, who: Who, entry: Entry) -> Receipt:
    """Keep what a person says of a machine; one of another name is added.

    Raises:
        ConflictError: the machine has an agent that reports.
        AmbiguousNameError: several machines have the name.
    """
    now = site.clock()
    with site.database.writing() as connection:
        found = machine_store.machine_ids_named(connection, entry.name)
        if len(found) > 1:
            numbers = ", ".join(f"#{each}" for each in found)
            raise AmbiguousNameError(f"several machines are named {entry.name!r}: {numbers}")
        machine_id = found[0] if found else machine_store.add_machine(connection, entry.name, now)
        (machine,) = machine_store.load_machines(connection, [machine_id])
        if machine.has_token:
            raise ConflictError(f"machine #{machine_id} has an agent, which reports for it")
        report = _report(machine, entry, who, now)
        note_place(connection, machine, canonical_place(entry.place), PlaceBy.HAND)
        body = json.dumps(report_to_json(report)).encode()
        told = {"report_id": report.report_id, "is_new": not found}
        audit.record(connection, who, now, "machine.enter", f"machine #{machine_id}", after=told)
        return ingest.keep_word(site, connection, machine.id, ReadReport(report, ()), body)


def _report(machine: StoredMachine, entry: Entry, who: Who, now: datetime) -> Report:
    return report_of_entry(
        entry,
        by=who.known_as,
        seen_at=now,
        report_id=str(uuid7(int(now.timestamp() * 1000), uuid.uuid4().int >> 54)),
        agent_id=str(uuid.uuid5(_NAMESPACE, str(machine.id))),
        sequence=int(now.timestamp()),
    )
