"""The deployer tree, held against every row that CERT/CC publishes."""

import csv

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flashworthy_common.reasons import Priority
from flashworthy_common.ssvc import (
    Exploitation,
    Exposure,
    HumanImpact,
    MissionImpact,
    SafetyImpact,
    human_impact_of,
    priority_of,
)
from support.shared_data import shared_file

# SSVC "Deployer Patch Application Priority" 1.0.0, CERT/CC, all 72 rows in their published order:
# exploitation, system exposure, automatable, human impact, priority. A hyphen stands for a space.
TREE = """
none        small       no   low        defer
none        small       no   medium     defer
none        small       no   high       scheduled
none        small       no   very-high  scheduled
none        small       yes  low        defer
none        small       yes  medium     scheduled
none        small       yes  high       scheduled
none        small       yes  very-high  scheduled
none        controlled  no   low        defer
none        controlled  no   medium     scheduled
none        controlled  no   high       scheduled
none        controlled  no   very-high  scheduled
none        controlled  yes  low        scheduled
none        controlled  yes  medium     scheduled
none        controlled  yes  high       scheduled
none        controlled  yes  very-high  scheduled
none        open        no   low        defer
none        open        no   medium     scheduled
none        open        no   high       scheduled
none        open        no   very-high  scheduled
none        open        yes  low        scheduled
none        open        yes  medium     scheduled
none        open        yes  high       scheduled
none        open        yes  very-high  out-of-cycle
public-poc  small       no   low        defer
public-poc  small       no   medium     scheduled
public-poc  small       no   high       scheduled
public-poc  small       no   very-high  scheduled
public-poc  small       yes  low        scheduled
public-poc  small       yes  medium     scheduled
public-poc  small       yes  high       scheduled
public-poc  small       yes  very-high  scheduled
public-poc  controlled  no   low        defer
public-poc  controlled  no   medium     scheduled
public-poc  controlled  no   high       scheduled
public-poc  controlled  no   very-high  scheduled
public-poc  controlled  yes  low        scheduled
public-poc  controlled  yes  medium     scheduled
public-poc  controlled  yes  high       scheduled
public-poc  controlled  yes  very-high  out-of-cycle
public-poc  open        no   low        scheduled
public-poc  open        no   medium     scheduled
public-poc  open        no   high       scheduled
public-poc  open        no   very-high  out-of-cycle
public-poc  open        yes  low        scheduled
public-poc  open        yes  medium     scheduled
public-poc  open        yes  high       out-of-cycle
public-poc  open        yes  very-high  out-of-cycle
active      small       no   low        scheduled
active      small       no   medium     scheduled
active      small       no   high       out-of-cycle
active      small       no   very-high  out-of-cycle
active      small       yes  low        scheduled
active      small       yes  medium     out-of-cycle
active      small       yes  high       out-of-cycle
active      small       yes  very-high  out-of-cycle
active      controlled  no   low        scheduled
active      controlled  no   medium     scheduled
active      controlled  no   high       out-of-cycle
active      controlled  no   very-high  out-of-cycle
active      controlled  yes  low        out-of-cycle
active      controlled  yes  medium     out-of-cycle
active      controlled  yes  high       out-of-cycle
active      controlled  yes  very-high  out-of-cycle
active      open        no   low        scheduled
active      open        no   medium     out-of-cycle
active      open        no   high       out-of-cycle
active      open        no   very-high  immediate
active      open        yes  low        out-of-cycle
active      open        yes  medium     out-of-cycle
active      open        yes  high       immediate
active      open        yes  very-high  immediate
"""

# SSVC "Human Impact" 2.0.2, CERT/CC: safety impact, mission impact, human impact.
HUMAN_IMPACT = [
    ("negligible", "degraded", "low"),
    ("negligible", "mef support crippled", "low"),
    ("negligible", "mef failure", "medium"),
    ("negligible", "mission failure", "very high"),
    ("marginal", "degraded", "low"),
    ("marginal", "mef support crippled", "low"),
    ("marginal", "mef failure", "medium"),
    ("marginal", "mission failure", "very high"),
    ("critical", "degraded", "medium"),
    ("critical", "mef support crippled", "high"),
    ("critical", "mef failure", "high"),
    ("critical", "mission failure", "very high"),
    ("catastrophic", "degraded", "very high"),
    ("catastrophic", "mef support crippled", "very high"),
    ("catastrophic", "mef failure", "very high"),
    ("catastrophic", "mission failure", "very high"),
]


def rows_of_tree():
    for line in TREE.strip().splitlines():
        *inputs, priority = line.split()
        yield *(word.replace("-", " ") for word in inputs), priority


def answer(exploitation, exposure, automatable, impact):
    return priority_of(
        Exploitation(exploitation), Exposure(exposure), automatable == "yes", HumanImpact(impact)
    ).value


def test_the_published_table_has_72_rows_with_these_counts():
    priorities = [priority for *_, priority in rows_of_tree()]

    counts = {priority.value: priorities.count(priority.value) for priority in Priority}
    assert counts == {"defer": 7, "scheduled": 42, "out-of-cycle": 20, "immediate": 3}


@pytest.mark.parametrize("row", list(rows_of_tree()), ids="/".join)
def test_every_row_of_the_tree_comes_out_as_published(row):
    *inputs, priority = row

    assert answer(*inputs) == priority


def test_the_tree_is_the_one_in_the_published_file():
    name = "standards/ssvc/deployer_patch_application_priority_1_0_0.csv"
    with shared_file(name).open(encoding="utf-8", newline="") as stream:
        _, *published = csv.reader(stream)

    assert [(*inputs, answer(*inputs)) for _, *inputs, _ in published] == [
        tuple(row[1:]) for row in published
    ]
    assert [tuple(row[1:]) for row in published] == list(rows_of_tree())


@pytest.mark.parametrize(("safety", "mission", "impact"), HUMAN_IMPACT)
def test_human_impact_comes_from_safety_and_mission_as_published(safety, mission, impact):
    assert human_impact_of(SafetyImpact(safety), MissionImpact(mission)) is HumanImpact(impact)


inputs = st.tuples(
    st.sampled_from(Exploitation), st.sampled_from(Exposure), st.booleans(),
    st.sampled_from(HumanImpact),
)  # fmt: skip
SCALES = (list(Exploitation), list(Exposure), [False, True], list(HumanImpact))


@given(inputs, st.integers(0, 3))
def test_raising_an_input_never_lowers_the_priority(lower, which):
    scale = SCALES[which]
    raised = scale[min(scale.index(lower[which]) + 1, len(scale) - 1)]
    higher = (*lower[:which], raised, *lower[which + 1 :])

    assert priority_of(*higher).reaches(priority_of(*lower))
