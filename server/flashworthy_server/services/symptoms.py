"""Symptoms: a person says what one machine shows, and later that it no longer does."""

from flashworthy_common.symptoms import Symptom, is_too_wide
from flashworthy_common.values import MAX_TEXT_CHARACTERS
from flashworthy_server.errors import BadRow, BadRowsError, NotFoundError
from flashworthy_server.services import audit, judgement
from flashworthy_server.services.who import Who
from flashworthy_server.site import Site
from flashworthy_server.store import machines as machine_store
from flashworthy_server.store import symptoms as store
from flashworthy_server.store.symptoms import StoredSymptom as StoredSymptom


def add_symptom(site: Site, who: Who, machine_id: int, says: str) -> StoredSymptom:
    """Record what a machine shows; a release that mends it becomes a reason.

    What it is known to show is not recorded twice.

    Raises:
        BadRowsError: the text says too little.
        NotFoundError: there is no such machine.
    """
    now, says = site.clock(), " ".join(says.split())
    if is_too_wide(says) or len(says) > MAX_TEXT_CHARACTERS:
        expected = "expected what it shows, such as 'wakes with a dark screen'"
        raise BadRowsError([BadRow("", f"{expected}, got {says!r:.80}", "says")])
    symptom = Symptom(says=says, recorded_by=who.known_as, recorded_at=now)
    with site.database.writing() as connection:
        if machine_store.load_machine(connection, machine_id) is None:
            raise NotFoundError(f"there is no machine #{machine_id}")
        for each in store.load_symptoms(connection, machine_id):
            if each.symptom.says == says and not each.ended_at:
                return each
        symptom_id = store.add_symptom(connection, machine_id, symptom)
        machine_store.note_own_facts(connection, [machine_id])
        judgement.judge_machines(site, connection, [machine_id], now)
        subject, after = f"machine #{machine_id}", {"symptom": symptom_id, "says": says}
        audit.record(connection, who, now, "symptom.add", subject, after=after)
    return StoredSymptom(symptom_id, machine_id, symptom, None)


def end_symptom(site: Site, who: Who, machine_id: int, symptom_id: int) -> None:
    """Say that a machine no longer shows it.

    Raises:
        NotFoundError: the machine shows nothing of this number.
    """
    now = site.clock()
    with site.database.writing() as connection:
        shown = {each.id: each for each in store.load_symptoms(connection, machine_id)}
        found = shown.get(symptom_id)
        if found is None or found.ended_at:
            raise NotFoundError(f"machine #{machine_id} shows no symptom #{symptom_id}")
        store.end_symptom(connection, symptom_id, now)
        judgement.judge_machines(site, connection, [machine_id], now)
        subject, before = (
            f"machine #{machine_id}",
            {"symptom": symptom_id, "says": found.symptom.says},
        )
        audit.record(connection, who, now, "symptom.end", subject, before=before)


def symptoms_of(site: Site, machine_id: int) -> list[StoredSymptom]:
    """Every symptom of a machine, newest first, also those that are no longer seen.

    Raises:
        NotFoundError: there is no such machine.
    """
    with site.database.reading() as connection:
        if machine_store.load_machine(connection, machine_id) is None:
            raise NotFoundError(f"there is no machine #{machine_id}")
        return store.load_symptoms(connection, machine_id)
