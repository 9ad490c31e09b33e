"""Symptoms: what a person saw on one machine."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, insert, select, update

from flashworthy_common.symptoms import Symptom
from flashworthy_server.tables import symptoms


@dataclass(frozen=True, slots=True)
class StoredSymptom:
    id: int
    machine_id: int
    symptom: Symptom
    ended_at: datetime | None  # none: it is still seen


def add_symptom(connection: Connection, machine_id: int, symptom: Symptom) -> int:
    added = connection.execute(
        insert(symptoms)
        .values(
            machine_id=machine_id,
            says=symptom.says,
            recorded_by=symptom.recorded_by,
            recorded_at=symptom.recorded_at,
        )
        .returning(symptoms.c.id)
    )
    return int(added.scalar_one())


def end_symptom(connection: Connection, symptom_id: int, now: datetime) -> None:
    connection.execute(update(symptoms).where(symptoms.c.id == symptom_id).values(ended_at=now))


def load_symptoms(connection: Connection, machine_id: int) -> list[StoredSymptom]:
    """Every symptom of a machine, newest first, also those that are no longer seen."""
    query = select(symptoms).where(symptoms.c.machine_id == machine_id)
    return [
        StoredSymptom(
            row.id,
            machine_id,
            Symptom(says=row.says, recorded_by=row.recorded_by, recorded_at=row.recorded_at),
            row.ended_at,
        )
        for row in connection.execute(query.order_by(symptoms.c.id.desc()))
    ]


def symptoms_of_machines(
    connection: Connection, machine_ids: Iterable[int]
) -> dict[int, list[Symptom]]:
    """By machine, those that are still seen."""
    found: dict[int, list[Symptom]] = {}
    query = select(symptoms).where(
        symptoms.c.machine_id.in_(list(machine_ids)), symptoms.c.ended_at.is_(None)
    )
    for row in connection.execute(query.order_by(symptoms.c.id)):
        symptom = Symptom(says=row.says, recorded_by=row.recorded_by, recorded_at=row.recorded_at)
        found.setdefault(row.machine_id, []).append(symptom)
    return found
