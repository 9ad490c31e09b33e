"""The pictures in README, made from the demo's county library.

`FLASHWORTHY_PICTURES=deploy/pictures` makes them anew; otherwise they are made and thrown away, and
those that README shows are looked for.
"""

import os
import re
from pathlib import Path

import pytest

from support.chromium import DESK, PHONE
from support.library import SHOWN

TOP = Path(__file__).parents[2]
KEPT = TOP / "deploy" / "pictures"
MOST_BYTES = 150 * 1024  # of one picture
PICTURES = {
    "today": (DESK, 900, "/"),
    "machines": (DESK, 900, "/machines?outcome=prepare"),
    "machine": (DESK, 900, "/machines/3"),
    "machine-on-a-phone": (PHONE, 844, "/machines/3"),
}


@pytest.mark.system
@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_can_be_made_of_the_demo(look, tmp_path, name):
    width, height, path = PICTURES[name]
    folder = Path(os.environ.get("FLASHWORTHY_PICTURES", tmp_path))
    file = folder / f"{name}.png"

    with look("Ida Fenwick", width) as shown:
        shown.open(path)
        shown.page.set_viewport_size({"width": width, "height": height})
        assert SHOWN in shown.words or path == "/"
        shown.page.screenshot(path=file)

    assert file.stat().st_size <= MOST_BYTES


def test_readme_shows_each_picture_and_says_what_is_on_it():
    readme = (TOP / "README.md").read_text(encoding="utf-8")

    shown = re.findall(r"!\[[^\]]{20,}\]\(deploy/pictures/([\w-]+)\.png\)", readme)

    assert sorted(shown) == sorted(PICTURES)
    assert {file.stem for file in KEPT.iterdir()} == set(PICTURES)
