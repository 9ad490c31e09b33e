"""What a person's word can speak of on one machine as it is now."""

from dataclasses import replace

import pytest

from flashworthy_common.confirmations import Confirmed, subjects_now
from flashworthy_common.report import ProtectorKind
from flashworthy_common.values import Unknown
from support.machines import PLAIN_VOLUME, SEALED_VOLUME, a_report

DATA_VOLUME = replace(SEALED_VOLUME, name="data", is_system=False, protector_id="9c21-77e0")
UNNAMED = replace(SEALED_VOLUME, protector_id=Unknown("not told"))
BY_PASSPHRASE = replace(SEALED_VOLUME, protector=ProtectorKind.PASSPHRASE)


@pytest.mark.parametrize(
    ("what", "subjects"),
    [
        (Confirmed.RECOVERY_KEY, ("7f3a-11c0",)),
        (Confirmed.SETTINGS_WRITTEN_DOWN, ("1.29",)),
        (Confirmed.USER_INFORMED, ("1.34",)),
        (Confirmed.RECOVERY_ROUTE, ("1.34",)),
        (Confirmed.NO_WAY_BACK, ("1.34",)),
        (Confirmed.UPS_READY, ("",)),
    ],
)
def test_each_kind_of_word_speaks_of_one_thing(what, subjects):
    report = a_report(protection={"volumes": (SEALED_VOLUME, DATA_VOLUME)})

    assert subjects_now(what, report, running="1.29", target="1.34") == subjects


@pytest.mark.parametrize(
    "volumes", [(), (PLAIN_VOLUME,), (UNNAMED,), (BY_PASSPHRASE,), Unknown("not permitted")]
)
def test_without_a_named_protector_no_recovery_key_can_be_confirmed(volumes):
    report = a_report(protection={"volumes": volumes})

    assert subjects_now(Confirmed.RECOVERY_KEY, report, running="1.29", target="1.34") == ()


def test_without_a_version_there_is_nothing_to_speak_of():
    report, unread = a_report(), Unknown("not readable")

    assert subjects_now(Confirmed.SETTINGS_WRITTEN_DOWN, report, running=unread, target=None) == ()
    assert subjects_now(Confirmed.USER_INFORMED, report, running="1.29", target=None) == ()
