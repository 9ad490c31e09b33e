"""Machines without an agent: a person's word is judged like any report, and fills nothing in."""

import json
from dataclasses import replace
from datetime import timedelta

from flashworthy_common.chassis import Kind
from flashworthy_common.entered import Entry, report_of_entry
from flashworthy_common.readiness import Answer, Outcome
from flashworthy_common.report import SECTIONS, Report, Source, report_to_json
from flashworthy_common.values import Unknown, from_json
from support.machines import NEED, NOW, a_machine, answer_of, verdict_of

ENTRY = Entry(name="cellar-pc", maker="Quillmark", product="Folio 14", version_text="1.29")
SEEN_AT = NOW - timedelta(minutes=20)
NOT_SAID = Unknown("Ida Fenwick did not say")


def entered(**facts):
    return report_of_entry(
        replace(ENTRY, **facts),
        by="Ida Fenwick",
        seen_at=SEEN_AT,
        report_id="018f42d5-6800-7000-8000-000000000009",
        agent_id="7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b809",
        sequence=1,
    )


def judged(report):
    return verdict_of(replace(a_machine(), report=report))


def test_a_persons_word_names_its_source_and_leaves_the_rest_unknown():
    report = entered()

    assert report.source is Source.PERSON
    assert report.machine.product == "Folio 14"
    assert report.machine.source == "the word of Ida Fenwick"
    assert report.firmware.seen_at == SEEN_AT
    assert report.firmware.esrt == NOT_SAID
    assert report.power.mains == NOT_SAID
    assert report.people.sessions == NOT_SAID


def test_a_section_of_which_nothing_was_said_was_not_seen():
    assert isinstance(entered().power.seen_at, Unknown)
    assert entered(mains=True).power.seen_at == SEEN_AT


def test_what_nobody_knows_is_to_be_looked_at_on_the_spot():
    verdict = judged(entered())

    assert verdict.outcome is Outcome.PREPARE
    assert answer_of("power.mains", verdict) is Answer.UNKNOWN
    assert answer_of("scope.virtual", verdict) is Answer.UNKNOWN


def test_whoever_names_its_kind_stood_before_a_real_machine():
    verdict = judged(entered(kind=Kind.PORTABLE))

    assert answer_of("scope.kind", verdict) is Answer.PASS
    assert answer_of("scope.virtual", verdict) is Answer.PASS


def test_power_that_a_person_saw_counts():
    on_battery = judged(entered(mains=False, battery_percent=62.0))
    without_battery = judged(entered(kind=Kind.DESKTOP, has_battery=False))

    assert answer_of("power.mains", on_battery) is Answer.FIX
    assert answer_of("power.charge", on_battery) is Answer.PASS
    assert answer_of("power.mains", without_battery) is Answer.PASS


def test_a_carried_file_that_tells_the_same_gives_the_same_verdict():
    said = entered(kind=Kind.PORTABLE, mains=True, battery_percent=80.0)
    carried = from_json(Report, json.loads(json.dumps(report_to_json(said))))
    from_a_file = replace(carried, source=Source.FILE)

    of_an_agent_only = {"evidence.clock", "evidence.probes"}
    from_file = [each for each in judged(from_a_file).checks if each.code not in of_an_agent_only]
    assert from_file == list(judged(said).checks)
    assert judged(from_a_file).outcome is judged(said).outcome


def test_a_person_has_neither_a_clock_nor_probes_to_be_asked_about():
    verdict = judged(entered())

    assert answer_of("evidence.clock", verdict) is None
    assert answer_of("evidence.probes", verdict) is None


def test_the_need_is_that_of_any_machine_of_the_model():
    assert judged(entered()).need == NEED


def test_every_section_is_there():
    report = entered()

    assert all(getattr(report, name).source == "the word of Ida Fenwick" for name in SECTIONS)
