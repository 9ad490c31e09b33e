"""The table of requirements is whole, and what it names is there."""

import ast
import csv
import importlib.util
from pathlib import Path

import pytest

from support.shared_data import shared_file

TESTS = Path(__file__).parents[1]
TOP = TESTS.parent
CHAPTERS = ("V3", "V6", "V7", "V8", "V9", "V16")


def _table():
    spec = importlib.util.spec_from_file_location("asvs", Path(__file__).parent / "asvs.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


TABLE = _table()


def names_in(path):
    tree = ast.parse((TESTS / path).read_text(encoding="utf-8"))
    return {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}


def test_every_requirement_of_the_chapters_is_in_the_table_and_no_other():
    with shared_file("standards/asvs/asvs_5.0.0_L1_L2_subset.csv").open(encoding="utf-8") as file:
        wanted = {row["req_id"] for row in csv.DictReader(file) if row["chapter_id"] in CHAPTERS}

    assert set(TABLE.ROWS) == wanted


@pytest.mark.parametrize("requirement", TABLE.ROWS)
def test_a_requirement_is_met_somewhere_and_shown_by_tests_that_exist(requirement):
    row = TABLE.ROWS[requirement]
    if isinstance(row, TABLE.NotMet):
        assert row.because
        return
    server = TOP / "server" / "flashworthy_server"
    assert (server / row.where).exists() or (TOP / row.where).exists(), row.where
    assert row.tests
    for name in row.tests:
        path, _, test = name.partition("::")
        assert test.startswith("test_")
        assert test in names_in(path), name
