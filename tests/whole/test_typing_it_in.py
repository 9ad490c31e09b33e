"""What people record, typed into a real browser: with script, without, by keyboard, on a phone."""

import pytest

from support.chromium import PHONE

pytestmark = pytest.mark.system

MODEL = "Test Bench 9"  # of nobody's machines, so that no other page of the library changes


def test_a_version_is_read_while_it_is_typed(look):
    with look("Tom Arden") as seen:
        seen.open("/releases/new")
        seen.type("Maker", "Tarnbrook")
        seen.type("Version", "T.1B")

        told = seen.page.locator(
            "output", has_text="read as letter.revision: letter T, revision 1B"
        )
        told.wait_for()

        assert seen.complaints == []


def test_without_script_a_button_reads_it(look):
    with look("Tom Arden", java_script_enabled=False) as seen:
        seen.open("/releases/new")
        seen.type("Maker", "Tarnbrook")
        seen.type("Models", MODEL)
        seen.type("Version", "T.1B")
        seen.press("Only read the version")

        assert "read as letter.revision: letter T, revision 1B" in seen.words
        assert seen.page.get_by_label("Models").input_value() == MODEL


def test_a_release_is_recorded_by_the_keyboard_alone(look):
    with look("Tom Arden") as seen:
        seen.open("/releases/new")
        keyboard = seen.page.keyboard
        seen.page.get_by_label("Maker", exact=True).focus()
        for text in ("Quillmark", MODEL):
            keyboard.type(text)
            keyboard.press("Tab")
        keyboard.type("1.0")
        keyboard.press("Enter")

        said = f"For {MODEL}. Offered. Read as two numbers: version 1.0."
        seen.page.get_by_text(said).wait_for()


def test_a_file_is_handed_in_on_a_phone_and_its_fault_named(look, tmp_path):
    file = tmp_path / "bench.csv"
    file.write_text(f"machine_maker,models,version_text,minutes\nQuillmark,{MODEL},1.1,long\n")
    with look("Tom Arden", PHONE) as seen:
        seen.open("/releases/import")
        seen.page.get_by_label("File").set_input_files(file)
        seen.press("Show what it would change")

        assert "line 2, releases[0].minutes: expected a whole number" in seen.words
        assert seen.overhang <= 0

        file.write_text(f"machine_maker,models,version_text,minutes\nQuillmark,{MODEL},1.1,25\n")
        seen.follow("hand it in again")
        seen.page.get_by_label("File").set_input_files(file)
        seen.press("Show what it would change")
        assert f"release Quillmark {MODEL}: 1.1: new" in seen.words
        seen.press("Record all of it")

        assert "All of this is recorded" in seen.words


def test_the_effect_of_limits_is_seen_before_they_are_set(look):
    with look("Ida Fenwick", PHONE) as seen:
        seen.open("/policy")
        seen.page.get_by_label("Least priority").select_option("immediate")
        seen.press("Show the effect")

        assert "machines was judged at the desk by the limits in force and by these" in seen.words
        assert "Set these limits" in seen.words
        assert seen.overhang <= 0
        seen.follow("Change them again")
        assert seen.page.get_by_label("Least priority").input_value() == "immediate"
