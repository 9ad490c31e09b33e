"""The sheet of a visit on paper: a real browser prints it, and the PDF is read and looked at.

No line is cut off on A4 (ISO 216) or Letter (ANSI Y14.1), every machine begins a page of its own,
and the code on its page leads to it.
"""

import pypdfium2
import pytest
import zxingcpp

from support.chromium import window
from support.library import SHOWN

pytestmark = pytest.mark.system

POINTS = {"A4": (595, 842), "Letter": (612, 792)}  # 210 x 297 mm; 8.5 x 11 in
MARGIN = 28  # points: the 10 mm that office printers leave white; common practice, no source


_WORDS = """
    () => {
        document.querySelectorAll(".unseen, .not-on-paper").forEach((each) => each.remove());
        return document.querySelector("main").innerText;
    }
"""


@pytest.fixture(scope="module", params=POINTS)
def printed(request, chrome, library, signed_in, tmp_path_factory):
    """Paper, address of the server, the words on the screen, and the printed sheet."""
    file = tmp_path_factory.mktemp("paper") / "sheet.pdf"
    with window(chrome, library.address, state=signed_in["Tom Arden"]) as shown:
        shown.open("/visits/1/sheet")
        shown.page.emulate_media(media="print")
        words = shown.page.evaluate(_WORDS).split()
        shown.page.pdf(path=file, format=request.param, prefer_css_page_size=False)
    document = pypdfium2.PdfDocument(file)
    yield request.param, library.address, words, document
    document.close()


def text_of(page):
    return page.get_textpage().get_text_bounded()


def letters(text):
    """What is left of a text wherever its lines are broken."""
    return "".join(filter(str.isalnum, text))


def test_it_is_printed_on_the_paper_that_was_asked_for(printed):
    paper, _, _, document = printed

    for page in document:
        assert page.get_size() == pytest.approx(POINTS[paper], abs=1)


def test_no_line_is_cut_off(printed):
    _, _, _, document = printed
    for page in document:
        width, height = page.get_size()
        text = page.get_textpage()
        for number in range(text.count_rects()):
            left, bottom, right, top = text.get_rect(number)
            assert left >= MARGIN, text.get_text_bounded(left, bottom, right, top)
            assert right <= width - MARGIN, text.get_text_bounded(left, bottom, right, top)
            assert bottom >= MARGIN
            assert top <= height - MARGIN


def test_every_word_of_the_screen_is_on_paper(printed):
    _, _, words, document = printed
    on_paper = "".join(letters(text_of(page)) for page in document)

    missing = [word for word in words if letters(word) not in on_paper]

    assert missing == []


def test_every_machine_begins_a_page_of_its_own(printed):
    _, _, _, document = printed
    firsts = [text_of(page).split()[0] for page in document]

    assert SHOWN in firsts
    assert len(document) >= 3  # the visit, and two machines


def test_the_code_on_a_machines_page_leads_to_it(printed):
    _, address, _, document = printed
    (page,) = [each for each in document if text_of(each).split()[0] == SHOWN]
    picture = page.render(scale=3, grayscale=True)
    pixels = memoryview(bytes(picture.buffer)).cast("B", [picture.height, picture.stride])

    assert [found.text for found in zxingcpp.read_barcodes(pixels)] == [f"{address}/machines/3"]
