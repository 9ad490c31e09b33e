"""Every page in a real browser: readable by everyone, quiet, small, and as wide as a phone.

The pages are those of the application's own map of addresses, so that a new one is looked at too.
WCAG 2.2 AA as axe-core tests it: what it finds is wrong; what needs a person it does not find.
"""

import pytest
from axe_playwright_python.sync_playwright import Axe

from support.chromium import DESK, HEIGHT, PHONE, window
from support.library import paths

pytestmark = pytest.mark.system

MOST_BYTES = 60 * 1024  # of a page with all that it loads, not compressed
WCAG_2_2_AA = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
ADDRESSES = [*sorted(paths()), ("what is not there", "/nowhere")]

every_page = pytest.mark.parametrize("path", [path for _, path in ADDRESSES])
_LOADED = """
    [...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")]
        .reduce((sum, each) => sum + each.transferSize, 0)
"""


@pytest.fixture(scope="module")
def windows(chrome, library, signed_in):
    """Two windows of one administrator, with script and without."""
    state = signed_in["Ida Fenwick"]
    with (
        window(chrome, library.address, state=state) as usual,
        window(chrome, library.address, state=state, java_script_enabled=False) as without,
    ):
        yield usual, without


def opened(shown, path, width=DESK):
    """Open a page in a window; skip what is a file to be kept."""
    answer = shown.context.request.get(f"http://{shown.host}{path}")
    if not answer.headers.get("content-type", "").startswith("text/html"):
        pytest.skip("no page: a file or a picture")
    shown.page.set_viewport_size({"width": width, "height": HEIGHT})
    shown.complaints.clear()
    shown.open(path)
    return shown


@every_page
def test_everyone_can_read_it(windows, path):
    shown = opened(windows[0], path)
    for width in (DESK, PHONE):
        shown.page.set_viewport_size({"width": width, "height": HEIGHT})
        for scheme in ("light", "dark"):
            shown.page.emulate_media(color_scheme=scheme)

            found = Axe().run(shown.page, options=WCAG_2_2_AA)

            assert found.violations_count == 0, found.generate_report()


@every_page
@pytest.mark.parametrize("width", [DESK, PHONE])
def test_it_is_quiet_and_small_and_stands_still(windows, path, width):
    shown = opened(windows[0], path, width)

    assert shown.shifts() == []
    assert shown.overhang <= 0
    assert shown.page.evaluate(_LOADED) <= MOST_BYTES
    assert [each for each in shown.complaints if not is_of_a_missing_page(each)] == []


def is_of_a_missing_page(complaint):
    """The browser says of its own accord that the page is not there, which it should not be."""
    return "the server responded with a status of 404" in complaint


@every_page
def test_it_says_the_same_without_script(windows, path):
    with_script, without = (_without_times(opened(shown, path)) for shown in windows)

    assert without == with_script


def _without_times(shown):
    """The words of a page; ages and times may differ from one moment and zone to the next.

    A box that ticks others is there with script only.
    """
    words = shown.words
    for each in shown.page.locator("time, label:has([data-ticks])").all_inner_texts():
        words = words.replace(" ".join(each.split()), "")
    return " ".join(words.split())
