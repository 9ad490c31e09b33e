"""The order of versions against the release dates of real machines.

The pairs and records are from the open collection linuxhw/DMI (commit 57b21bc, CC BY 4.0); they
are not part of the project. A pair is two versions seen on one model, each with its release date;
pairs less than 14 days apart are left out, because makers date several builds of one week at will.

All models were looked at while the rules were made, so these figures are not an estimate for
machines never seen. The fifths show how much they owe to single models.
"""

import collections
import datetime
import hashlib
from dataclasses import dataclass

import pytest

from flashworthy_common.makers import canonical_machine_maker
from flashworthy_common.values import Unknown
from flashworthy_common.versions import Meaning, Order, compare, parse_version, sort_key
from support.shared_data import shared_rows

MIN_DAYS = 14
FIFTHS = range(5)
SIGN = {Order.OLDER: -1, Order.SAME: 0, Order.NEWER: 1}


@dataclass(frozen=True)
class Pair:
    maker: str
    model: str
    a_text: str
    b_text: str
    truth: int  # -1: a was released before b


@dataclass(frozen=True)
class Score:
    """Percent: covered of all pairs, wrong of the covered ones; each also by model."""

    covered: float
    wrong: float
    models_covered: float
    models_wrong: float


def fifth_of(pair):
    """All pairs of one model are in the same of five parts."""
    digest = hashlib.sha256(f"{pair.maker}|{pair.model}".encode()).hexdigest()
    return int(digest, 16) % len(FIFTHS)


def read_pairs():
    return [pair for row in shared_rows("version_pairs.tsv.gz") if (pair := _pair(row)) is not None]


@pytest.fixture(scope="module", name="pairs")
def all_pairs():
    return read_pairs()


def _pair(row):
    a_on, b_on = (datetime.date.fromisoformat(row[name]) for name in ("date_a", "date_b"))
    days = (a_on - b_on).days
    if abs(days) < MIN_DAYS:
        return None
    truth = 1 if days > 0 else -1
    return Pair(row["maker"], row["model"], row["version_a"], row["version_b"], truth)


def score(pairs):
    """Every model weighs the same in the figures by model, shared among its pairs."""
    per_model = collections.Counter((pair.maker, pair.model) for pair in pairs)
    all_pairs, covered, wrong = ([0, 0.0] for _ in range(3))
    for pair in pairs:
        order = compare(pair.a_text, pair.b_text, maker=pair.maker, model=pair.model)
        counts = [all_pairs]
        if order is not Order.UNKNOWN:
            counts += [covered] if SIGN[order] == pair.truth else [covered, wrong]
        for count in counts:
            count[0] += 1
            count[1] += 1 / per_model[pair.maker, pair.model]
    return Score(
        *(
            100 * part[by] / whole[by]
            for by in (0, 1)
            for part, whole in ((covered, all_pairs), (wrong, covered))
        )
    )


def test_all_pairs_are_covered_and_right_as_far_as_was_promised(pairs, record_property):
    scored = score(pairs)
    record_property("score", str(scored))

    assert scored.covered >= 96.2
    assert scored.wrong <= 0.27
    assert scored.models_covered >= 95.3
    assert scored.models_wrong <= 0.48


@pytest.mark.parametrize("fifth", FIFTHS)
def test_every_fifth_of_the_models_is_ordered_nearly_as_well(pairs, fifth, record_property):
    scored = score([pair for pair in pairs if fifth_of(pair) == fifth])
    record_property("score", str(scored))

    assert scored.covered >= 95.5
    assert scored.wrong <= 0.45
    assert scored.models_covered >= 94.5
    assert scored.models_wrong <= 0.7


def test_rules_by_shape_alone_hold_where_every_maker_is_unknown(pairs):
    scored = score([Pair("", p.model, p.a_text, p.b_text, p.truth) for p in pairs])

    assert scored.covered >= 94
    assert scored.wrong <= 0.4


def test_the_sort_key_agrees_with_the_order_on_every_pair(pairs):
    for pair in pairs:
        keys = [sort_key(parse_version(t, maker=pair.maker)) for t in (pair.a_text, pair.b_text)]
        if keys[0] and keys[0].rpartition("|")[0] == keys[1].rpartition("|")[0]:
            order = compare(pair.a_text, pair.b_text, maker=pair.maker, model=pair.model)
            expected = (keys[0] > keys[1]) - (keys[0] < keys[1])
            assert SIGN.get(order, 0) == expected, pair


def test_the_order_is_antisymmetric_and_transitive_on_all_versions_of_every_model(pairs):
    versions = collections.defaultdict(set)
    for pair in pairs:
        versions[pair.maker, pair.model] |= {pair.a_text, pair.b_text}
    for (maker, model), texts in versions.items():
        orders = {a: {b: compare(a, b, maker=maker, model=model) for b in texts} for a in texts}
        older = {
            a: {b for b, order in row.items() if order is Order.OLDER} for a, row in orders.items()
        }
        newer = {
            a: {b for b, order in row.items() if order is Order.NEWER} for a, row in orders.items()
        }
        assert all(a in newer[b] for a in texts for b in older[a]), model
        assert all(older[b] <= older[a] for a in texts for b in older[a]), model


def test_the_firmware_of_most_real_machines_is_read_in_a_scheme_that_orders():
    machines = collections.Counter()
    for row in shared_rows("firmware_records.tsv.gz"):
        name = canonical_machine_maker(row["sys_vendor"] or row["board_vendor"])
        maker = "" if isinstance(name, Unknown) else name
        version = parse_version(row["bios_version"], maker=maker)
        machines[version.scheme.meaning] += int(row["machines"])

    assert machines.total() == 72_340
    assert machines[Meaning.RELEASE] >= 0.94 * machines.total()
    assert machines[Meaning.UNKNOWN] <= 0.01 * machines.total()
