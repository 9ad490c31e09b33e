"""Where tests find the data that is not part of the project; without it they are skipped."""

import csv
import gzip
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parents[2]


def shared_file(name: str) -> Path:
    """The file `name` under FLASHWORTHY_SHARED_DATA, else under ../shared/data beside the checkout.

    Skips the test where neither folder has it.
    """
    default = CHECKOUT.parent / "shared" / "data"
    path = Path(os.environ.get("FLASHWORTHY_SHARED_DATA", default)) / name
    if not path.exists():
        pytest.skip(f"shared data is not there: {name} (set FLASHWORTHY_SHARED_DATA)")
    return path


def shared_rows(name: str) -> Iterator[dict[str, str]]:
    """The rows of a gzipped table with tabs between its columns and names in its first line."""
    with gzip.open(shared_file(name), "rt", encoding="utf-8", newline="") as stream:
        yield from csv.DictReader(stream, delimiter="\t")
