"""What is removed: told beforehand what rests on it, in the audit trail afterwards."""

import json
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from flashworthy_server.cli import main
from flashworthy_server.errors import BadRowsError, ConflictError, InvalidInputError, NotFoundError
from flashworthy_server.services import audit, exceptions, packages, releases, symptoms, touch
from flashworthy_server.services.who import Role
from support.site import RELEASE, REVIEW, WHO

CONTENT = b"the package of 1.29"


@pytest.fixture
def known(site):
    """Two machines that run 1.29, for which 1.34 is on offer."""
    for number in (1, 2):
        site.machine(number)
    site.post("/releases/import", {"releases": [RELEASE], "reviews": [REVIEW]})
    return site


@pytest.fixture
def kept(known):
    known.keep(CONTENT)
    return known


def outcomes(site):
    return [row["outcome"] for row in site.get("/machines").json["machines"]]


def files(site):
    folder = Path(site.site.config.packages)
    return [path for path in folder.rglob("*") if path.is_file()]


def remove_release(site, *, anyway=False, reason="typed for the wrong model"):
    releases.remove_release(site.site, WHO, 1, reason, anyway=anyway)


def remove_package(site, number=1, *, anyway=False):
    packages.remove(site.site, WHO, number, "kept twice", anyway=anyway)


# ---- releases ---------------------------------------------------------------------------------


def test_the_machines_that_a_release_is_about_are_counted_with_what_they_run(known):
    known.machine(3, machine={"product": "Folio 15"})
    known.machine(4, firmware={"version_text": "1.40"})
    stored = releases.view_release(known.site, 1)

    reach = touch.reach_of(known.site, stored.release)

    told = [
        (each.of.combination.version_text, each.stands, each.is_on_path, each.of.machines)
        for each in reach.touched
    ]
    assert told == [("1.29", "newer than it", True, 2), ("1.40", "older than it", False, 1)]
    assert (reach.machines, reach.is_whole) == (3, True)


def test_a_release_that_machines_would_be_flashed_with_is_not_removed_unawares(known):
    with pytest.raises(ConflictError, match=r"2 machines would be flashed with 1\.34: say that"):
        remove_release(known)

    assert outcomes(known) == ["prepare", "prepare"]


def test_a_flash_under_way_to_a_release_is_named(kept):
    kept.post("/machines/1/flashes", {})

    with pytest.raises(ConflictError, match=r"a flash of machine #1 to 1\.34 is under way"):
        remove_release(kept)


def test_a_release_is_removed_by_whoever_knows_and_its_machines_are_judged_anew(known):
    remove_release(known, anyway=True)

    assert outcomes(known) == ["leave", "leave"]
    entry = list(audit.all_entries(known.site))[-1]
    assert (entry.action, entry.subject) == ("release.remove", "release #1")
    assert json.loads(entry.before)["version_text"] == "1.34"
    assert json.loads(entry.after) == {"reason": "typed for the wrong model"}


def test_a_release_that_nothing_rests_on_is_removed_once(site):
    site.post("/releases", RELEASE)
    remove_release(site)

    with pytest.raises(NotFoundError, match=r"there is no release #1"):
        remove_release(site)


def test_why_something_is_removed_is_asked_for(known):
    with pytest.raises(InvalidInputError, match="reason: expected why, got nothing"):
        remove_release(known, anyway=True, reason=" ")


# ---- changing a release -----------------------------------------------------------------------


def changed(site, number, **facts):
    stored = releases.view_release(site.site, number)
    return releases.change_release(
        site.site, WHO, number, RELEASE | facts, based_on=stored.recorded_at
    )


def test_a_release_is_changed_in_its_models_and_version_too(known):
    after = changed(known, 1, models=["Folio 15"], version_text="1.35")

    assert after.release.models == ("Folio 15",)
    assert releases.view_release(known.site, 1).release.version_text == "1.35"
    assert outcomes(known) == ["leave", "leave"]


def test_a_release_does_not_become_another_one_that_is_recorded(known):
    known.post("/releases", RELEASE | {"version_text": "1.35"})

    with pytest.raises(BadRowsError) as caught:
        changed(known, 2, version_text="1.34")

    (row,) = caught.value.rows
    assert (row.field, row.reason) == (
        "models",
        "release #1 is of this version for some of these models already",
    )


def test_a_change_of_somebody_else_in_between_is_not_lost(known):
    opened = releases.view_release(known.site, 1)
    known.clock.pass_by(minutes=1)
    changed(known, 1, minutes=40)

    with pytest.raises(ConflictError, match=r"release #1 was changed since it was opened"):
        releases.change_release(
            known.site, WHO, 1, RELEASE | {"minutes": 30}, based_on=opened.recorded_at
        )

    assert releases.view_release(known.site, 1).release.minutes == 40


def test_the_same_change_sent_twice_is_one(known):
    opened = releases.view_release(known.site, 1)
    known.clock.pass_by(minutes=1)
    for _ in range(2):
        releases.change_release(
            known.site, WHO, 1, RELEASE | {"minutes": 30}, based_on=opened.recorded_at
        )

    told = [each for each in audit.all_entries(known.site) if each.action == "release.change"]
    assert len(told) == 1


def test_a_release_of_another_maker_is_found_under_that_one(known):
    changed(known, 1, machine_maker="Tarnbrook")

    assert outcomes(known) == ["leave", "leave"]
    assert releases.view_release(known.site, 1).maker == "Tarnbrook"
    filters = releases.ReleaseFilters(maker="Tarnbrook")
    found, _ = releases.list_releases(known.site, filters, after=0, count=9)
    assert [each.id for each in found] == [1]


def test_a_visit_that_is_planned_with_something_is_named(kept):
    kept.person(Role.TECHNICIAN, "Tom Arrow")
    begins = kept.clock.now + timedelta(days=1)
    visit = {
        "machines": [1],
        "begins_at": begins.isoformat(),
        "ends_at": (begins + timedelta(hours=2)).isoformat(),
        "technician": "Tom Arrow",
    }
    assert kept.post("/visits", visit).status_code == 201

    with pytest.raises(ConflictError, match="visit #1 takes it along"):
        remove_release(kept)
    with pytest.raises(ConflictError, match="visit #1 goes to some of them"):
        remove_package(kept)


# ---- packages ---------------------------------------------------------------------------------


def test_a_package_that_is_the_only_way_back_is_not_removed_unawares(kept):
    with pytest.raises(ConflictError, match=r"2 machines that run 1\.29 have no other package"):
        remove_package(kept)

    assert outcomes(kept) == ["clear", "clear"]
    assert len(files(kept)) == 1


def test_a_flash_under_way_from_a_packages_version_is_named(kept):
    kept.post("/machines/2/flashes", {})

    with pytest.raises(ConflictError, match=r"a flash of machine #2 from 1\.29 is under way"):
        remove_package(kept)


def test_a_package_is_removed_by_whoever_knows_with_its_file(kept):
    remove_package(kept, anyway=True)

    assert outcomes(kept) == ["prepare", "prepare"]
    assert files(kept) == []
    entry = list(audit.all_entries(kept.site))[-1]
    assert (entry.action, entry.subject) == ("package.remove", "package #1")


def test_a_file_that_another_package_has_too_is_kept(kept):
    kept.keep(CONTENT, version="1.28")

    remove_package(kept, 2)

    assert len(files(kept)) == 1
    assert outcomes(kept) == ["clear", "clear"]


def test_nothing_rests_on_a_package_of_which_another_is_kept(kept):
    kept.keep(b"the same in another file")

    remove_package(kept, 1)

    assert outcomes(kept) == ["clear", "clear"]


def test_nothing_rests_on_a_damaged_package(kept):
    (file,) = files(kept)
    file.chmod(0o600)
    file.write_bytes(b"rotten")
    packages.verify_all(kept.site)

    remove_package(kept)

    assert packages.list_packages(kept.site, maker=None, after=0, count=9) == ([], None)


def test_the_read_out_of_a_board_is_not_removed_unawares(known):
    known.keep(b"a board's own", machine_id=1)

    with pytest.raises(ConflictError, match=r"it cannot be fetched anywhere else"):
        remove_package(known)
    remove_package(known, anyway=True)

    assert outcomes(known) == ["prepare", "prepare"]


# ---- for programs and at the terminal ---------------------------------------------------------


def test_a_program_is_told_what_rests_on_something_and_says_that_it_knows(kept):
    def remove(path):
        headers = {"Authorization": f"Bearer {kept.token}"}
        return kept.client.delete(f"/api/v1{path}", headers=headers)

    refused = [remove(f"/{what}/1?reason=why") for what in ("releases", "packages")]
    removed = [remove(f"/{what}/1?reason=why&anyway=true") for what in ("releases", "packages")]

    assert [each.status_code for each in refused] == [409, 409]
    assert "2 machines would be flashed with 1.34" in refused[0].json["detail"]
    assert [each.status_code for each in removed] == [204, 204]


def test_releases_and_packages_are_removed_at_the_terminal(kept, clock, url):
    def run(*words):
        environment = {
            "FLASHWORTHY_DATABASE": url,
            "FLASHWORTHY_PACKAGES": kept.site.config.packages,
        }
        return CliRunner().invoke(main, words, env=environment, obj=clock)

    for what in ("release", "package"):
        refused = run(f"{what}s", "remove", "1", "--reason", "why")
        assert (refused.exit_code, "say that you know this" in refused.output) == (1, True)
        done = run(f"{what}s", "remove", "1", "--reason", "why", "--anyway")
        assert done.output == f"{what} #1 is removed\n"


# ---- said twice -------------------------------------------------------------------------------


def test_an_exception_that_is_made_twice_is_one(known):
    data = {
        "kind": "not-this-release",
        "machine_maker": "Quillmark",
        "models": ["Folio 14"],
        "version_text": "1.34",
        "reason": "exams",
        "owner": "Ida Fenwick",
        "until": "2026-06-30",
    }

    first, second = (exceptions.add_exception(known.site, WHO, data) for _ in range(2))

    assert first == second


def test_a_symptom_that_is_recorded_twice_is_one_until_it_has_ended(known):
    first, second = (
        symptoms.add_symptom(known.site, WHO, 1, "the fan hums after sleep") for _ in range(2)
    )
    symptoms.end_symptom(known.site, WHO, 1, first.id)
    third = symptoms.add_symptom(known.site, WHO, 1, "the fan hums after sleep")

    assert first == second
    assert third.id != first.id
