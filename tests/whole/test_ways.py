"""The whole way of an administrator and of a technician, in a real browser.

At a desk and on a phone, with the keyboard alone, with script off, and on paper. What they meet is
the demo's county library; the first day begins on an empty server.
"""

import csv
import re
import subprocess
import sys

import pytest

from support.chromium import DESK, PHONE, window
from support.library import PASSWORD, SHOWN
from support.real_server import RealServer
from support.trees import grow, supply

pytestmark = pytest.mark.system

WIDTHS = pytest.mark.parametrize("width", [DESK, PHONE])
MOST_TABS = 120  # key presses until something is reached
TREE = {
    "/sys/class/dmi/id/bios_vendor": "Brightwater\n",
    "/sys/class/dmi/id/bios_version": "1.29\n",
    "/sys/class/dmi/id/sys_vendor": "Quillmark\n",
    "/sys/class/dmi/id/product_name": "Folio 14\n",
    "/sys/class/dmi/id/product_serial": "QM-0042\n",
    "/proc/sys/kernel/hostname": "reading-room-4\n",
    **supply("AC", type="Mains", online=1),
}


@pytest.fixture
def empty(tmp_path):
    with RealServer(tmp_path / "server") as server:
        yield server


def text_on_paper(shown, tmp_path):
    """What stands on the pages that come out of the printer."""
    file = tmp_path / "printed.pdf"
    shown.page.pdf(path=file, format="A4")
    return subprocess.run(
        ["pdftotext", "-layout", file, "-"], capture_output=True, text=True, check=True
    ).stdout


# ---- an administrator -------------------------------------------------------------------------


@WIDTHS
def test_an_administrator_comes_from_the_empty_server_to_the_first_verdict(
    chrome, empty, tmp_path, width
):
    """With what the pages say, and nothing else."""
    code = re.search(r"\S+", empty.call("account", "new", "Ida Fenwick", "--role", "administrator"))
    with window(chrome, empty.address, width) as shown:
        shown.open("/")  # whoever is not signed in is asked to
        shown.follow("set it")
        shown.type("Name", "Ida Fenwick")
        shown.type("Code that you were given", code[0])
        shown.type("New password", PASSWORD)
        shown.press("Set it")
        shown.type("Name", "Ida Fenwick")
        shown.type("Password", PASSWORD)
        shown.press("Sign in")

        shown.follow("Make a code")
        shown.press("Make a code")
        command = shown.page.locator("code", has_text="flashworthy-agent enrol").inner_text()
        _as_typed_on_the_machine(command, grow(tmp_path / "root", TREE), tmp_path / "state")

        shown.follow("Today")
        assert "nobody has compared it with the maker's releases" in shown.words
        shown.follow("Machines")
        shown.follow("reading-room-4")
        assert "UNDECIDED Somebody must look first" in shown.words

        shown.follow("Review it: what does its maker offer?")
        shown.type("The page that you read", "https://quillmark.example/folio-14")
        shown.type("Newest version on offer", "1.34")
        shown.page.get_by_label("A reason for it").select_option("security")
        shown.type("What it closes, mends or brings", "closes a hole in its setup program")
        shown.type("Advisories that it closes", "CVE-0000-1401")
        shown.press("Record what you read")
        shown.follow("Machines")
        shown.follow("reading-room-4")
        assert "1.29 -> 1.34" in shown.words
        assert "UNDECIDED" not in shown.words
        assert shown.overhang <= 0
    assert shown.complaints == []


def _as_typed_on_the_machine(command, root, state):
    """The commands of the page, with a made-up machine below `root`."""
    program = "import sys; from flashworthy_agent.cli import main; sys.exit(main())"
    _, *words = command.split()
    for each in (words, ["run"]):
        made_up = ["--root", str(root), "--state", str(state)]
        subprocess.run(
            [sys.executable, "-c", program, each[0], *made_up, *each[1:]],
            check=True,
            capture_output=True,
            timeout=60,
        )


@WIDTHS
def test_an_administrator_looks_over_the_morning(look, width):
    with look("Ida Fenwick", width) as shown:
        shown.open("/")
        assert "1.34 closes a hole that is being exploited" in shown.words
        shown.follow("go, with what stands on each sheet done or brought")
        assert "Shown: outcome prepare" in shown.words

        shown.type("Place", "Dunmere")
        shown.press("Show")
        assert "outcome=prepare" in shown.page.url
        assert "place=Dunmere" in shown.page.url
        shown.follow(SHOWN)

        assert "PREPARE" in shown.words
        shown.page.get_by_text(re.compile(r"Each of the \d+ checks")).click()
        assert "a real machine" in shown.words
        assert shown.overhang <= 0
    assert shown.complaints == []


def test_an_administrator_takes_the_list_along_as_csv(look):
    with look("Ida Fenwick") as shown:
        shown.open("/machines?place=Dunmere")
        listed = shown.page.get_by_role("table").get_by_role("link").all_inner_texts()

        with shown.page.expect_download() as download:
            shown.follow("All that match, as CSV")

        lines = download.value.path().read_text().splitlines()
        assert [row["name"] for row in csv.DictReader(lines)] == listed


# ---- a technician -----------------------------------------------------------------------------


@WIDTHS
def test_a_technician_prepares_flashes_and_says_what_came_of_it(look, width):
    with look("Tom Arden", width) as shown:
        shown.open("/machines?text=castle-row-folio-14")
        shown.follow("castle-row-folio-14-02")

        shown.page.get_by_text("Record a symptom").click()
        shown.type("What it shows", "the fan hums after sleep")
        shown.press("Record it")
        assert "the fan hums after sleep (Tom Arden" in shown.words

        shown.page.get_by_text("Confirm something").click()
        shown.press("Confirm")
        assert "Withdraw" in shown.words

        shown.page.get_by_text("Record that a flash starts now").click()
        shown.press("It starts now")
        assert "under way; expected back by" in shown.words

        shown.page.get_by_text("It could not be done").click()
        shown.type("Why", "the setup password is not known")
        shown.press("Say so")
        assert "could not be done: the setup password is not known" in shown.words
        assert shown.overhang <= 0
    assert shown.complaints == []


@WIDTHS
def test_a_technician_ticks_machines_for_a_visit(look, width):
    with look("Tom Arden", width) as shown:
        shown.open("/machines?place=Dunmere")
        for tick in shown.page.locator("input[name=machine]").all()[:2]:
            tick.check()
        shown.press("Plan a visit to the ticked ones")

        assert shown.page.url.count("machine=") == 2
        assert shown.overhang <= 0
    assert shown.complaints == []


def test_a_technician_needs_no_script(look):
    with look("Tom Arden", PHONE, java_script_enabled=False) as shown:
        shown.open("/machines")
        shown.page.get_by_text("Choose which are shown").click()
        shown.type("Text", SHOWN)
        shown.press("Show")
        shown.follow(SHOWN)

        shown.page.get_by_text("Record a symptom").click()
        shown.type("What it shows", "it")
        shown.press("Record it")

        assert "says: expected what it shows" in shown.words
        assert shown.page.get_by_label("What it shows").input_value() == "it"


def test_a_technician_needs_no_mouse(look):
    with look("Tom Arden") as shown:
        shown.open("/")
        _go_by_keys_to(shown, "To the content")
        shown.page.keyboard.press("Enter")
        _go_by_keys_to(shown, "Tarnbrook Carrel One")
        shown.page.keyboard.press("Enter")
        shown.page.wait_for_url("**/machines?*")
        _go_by_keys_to(shown, "dunmere-carrel-one-39")
        shown.page.keyboard.press("Enter")
        shown.page.wait_for_url(re.compile(r"/machines/\d+"))

        _go_by_keys_to(shown, "Record a symptom")
        shown.page.keyboard.press("Enter")
        shown.page.keyboard.press("Tab")
        shown.page.keyboard.type("the screen stays dark after sleep")
        shown.page.keyboard.press("Enter")

        shown.page.get_by_text("the screen stays dark after sleep (Tom Arden").wait_for()


def _go_by_keys_to(shown, label):
    """Press Tab until what is focused reads as `label`, and can be seen to be focused."""
    for _ in range(MOST_TABS):
        shown.page.keyboard.press("Tab")
        focused = shown.page.locator("*:focus")
        if focused.inner_text().strip() == label:
            outline = focused.evaluate("(each) => getComputedStyle(each).outlineStyle")
            assert outline == "solid", f"{label!r} has the focus, and nothing shows it"
            return
    raise AssertionError(f"{label!r} is not reached with {MOST_TABS} tabs")


# ---- on paper ---------------------------------------------------------------------------------


def test_a_manager_prints_today(look, tmp_path):
    with look("Vera Holt") as shown:
        shown.open("/")
        printed = text_on_paper(shown, tmp_path)

    assert "Today" in printed
    assert "1.34 closes a hole that is being exploited" in printed
    assert "Sign out" not in printed


def test_a_machines_sheet_carries_every_check_and_the_exact_times(look, tmp_path):
    with look("Tom Arden") as shown:
        shown.open("/machines/3")
        printed = " ".join(text_on_paper(shown, tmp_path).split())

    assert SHOWN in printed
    assert "a real machine" in printed  # a check that passes, folded away on the screen
    assert re.search(r"ago \(\d{4}-\d\d-\d\d \d\d:\d\d UTC\)", printed)
    for on_screen_only in ("Sign out", "Record it", "On this page"):
        assert on_screen_only not in printed
