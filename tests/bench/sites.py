"""A whole site in a file, for the benchmarks: `python tests/bench/sites.py MACHINES [--mix wild]`.

- `office`: 2,000 combinations, some models with many machines each; `wild`: half as many
  combinations as machines.
- What machines are made of comes from the real records of the shared data where they are there;
  otherwise it is invented.
- Some machines are enrolled and report to a real server in this process, knowledge is recorded,
  and everything is judged. All others are copies of their rows with names, serials, ids and bodies
  of their own, packed by the store's own encoders, so that they are what a report would have left
  (`tests/server/test_bench_sites.py` holds them against that).
- Sites are kept in a folder (`--folder`) under a name that tells what they were made of.
"""

import argparse
import gzip
import hashlib
import itertools
import json
import os
import random
import secrets
import shutil
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache, cached_property
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))

from sqlalchemy import Connection, Table, event, func, insert, select

from flashworthy_common.placeholders import is_placeholder
from flashworthy_common.report import Battery, Component, ProbeRun, report_to_json
from flashworthy_server import create_app, schema
from flashworthy_server.db import Database
from flashworthy_server.documents import document_of
from flashworthy_server.errors import BadRowsError
from flashworthy_server.services import credentials, judgement, releases
from flashworthy_server.services.who import Role
from flashworthy_server.site import Site
from flashworthy_server.store import packing
from flashworthy_server.tables import (
    attentions,
    combination_names,
    combinations,
    identities,
    machines,
    report_ids,
    reports,
    whole_bodies,
)
from support.machines import DESKTOP, PLAIN_VOLUME, PORTABLE, SEALED_VOLUME, a_report
from support.shared_data import shared_rows
from support.site import WHO, FrozenClock, TestedSite, an_application, report_id

FOLDER = Path.home() / ".cache" / "flashworthy-bench"
MIXES = ("office", "wild")
OFFICE_COMBINATIONS, WILD_PROTOTYPES = 2_000, 1_000
AT_ONCE = 2_000  # machines of one transaction
_MADE_BY = ("tables.py", "counting.py", "store/packing.py")
_LAYOUT = b"1"  # of sites; counts up with what is written here
_VARIANT = 70_000  # in the product's name of wild sites, which copies count up from
_SEED = 7


@dataclass(frozen=True, slots=True)
class Record:
    """What machines of one combination have in common."""

    maker: str
    board_maker: str
    product: str
    board: str
    version_text: str
    date_text: str
    portable: bool
    machines: int


@dataclass(frozen=True, slots=True)
class Names:
    """What tells one machine from all others; of the same length for all of them."""

    number: int

    @property
    def agent_id(self) -> str:
        return f"7b0c5a44-0a55-4c5e-9d4f-{self.number:012x}"

    @property
    def report_id(self) -> str:
        return report_id(self.number)

    @property
    def identity(self) -> dict[str, str]:
        return {
            "hostname": f"desk-{self.number:07}",
            "system_serial": f"sn{self.number:08}",
            "smbios_uuid": f"6f1c2e4a-9b1d-4c7e-8a55-{self.number:012x}",
        }

    @property
    def place(self) -> str:
        room = self.number % 5_000
        return f"Site {room % 20:02} / building {room % 100:02} / room {room:04}"

    @property
    def token(self) -> str:
        return f"{credentials.MACHINE_PREFIX}bench-{self.number}"

    @property
    def all(self) -> list[str]:
        return [self.agent_id, self.report_id, *self.identity.values()]


def site_file(count: int, mix: str, folder: Path = FOLDER) -> Path:
    """The database of a site, made unless it is there already; prints how far it is."""
    path = folder / f"{mix}-{count}-{_digest()}.db"
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        prototypes = _prototypes(count, mix)
        base = folder / f"{mix}-base-{len(prototypes)}-{_digest()}.db"
        if not base.exists():
            _finish(base, lambda begun: report_all(begun, prototypes, mix))
        _finish(path, lambda begun: copy_site(base, begun, prototypes, mix, count))
    return path


def _finish(path: Path, make: Callable[[Path], None]) -> None:
    """Give a file its name once it is whole."""
    begun = path.with_suffix(f".{os.getpid()}")
    make(begun)
    begun.rename(path)
    Path(f"{begun}-turn").unlink(missing_ok=True)


def a_copy(path: Path, folder: Path) -> Path:
    """A site that may be changed."""
    return Path(shutil.copy(path, folder / "flashworthy.db"))


def open_bench(path: Path, **settings: Any) -> TestedSite:
    """The application on a site, at the time at which the site was made."""
    settings = {"database": f"sqlite:///{path}", "packages": f"{path}-packages", **settings}
    much = dict.fromkeys(("requests_per_minute", "address_requests_per_minute"), 10**9)
    clock = FrozenClock()
    app = create_app({**much, **settings}, clock=clock)
    site = app.extensions["flashworthy"]
    name = f"bench {secrets.token_hex(4)}"
    token = credentials.make_token(site, WHO, name, role=Role.ADMINISTRATOR, days=1).token
    return TestedSite(app.test_client(), clock, token, settings["database"])


def report_all(path: Path, prototypes: Sequence[Record], mix: str) -> None:
    """A new site of machines that really report, where some things are known."""
    schema.migrate(Database(f"sqlite:///{path}", wait_seconds=5))
    with _hurried(path) as tested:
        for number, record in enumerate(prototypes):
            _report(tested, Names(number), record, mix)
            _tell("reported", number + 1, len(prototypes))
        _record_knowledge(tested.site, mix)
        judgement.judge_due(tested.site)


def copy_site(base: Path, path: Path, prototypes: Sequence[Record], mix: str, count: int) -> None:
    """A site of `count` machines, of which the first are those of another."""
    shutil.copy(base, path)
    with _hurried(path) as tested:
        _Copies(tested.site, prototypes, mix).make(count)


@contextmanager
def _hurried(path: Path) -> Iterator[TestedSite]:
    """Open without waiting for the disk; whole in its file afterwards."""
    tested = open_bench(path)
    database = tested.site.database
    database.close()
    event.listen(database.engine, "connect", _without_waiting)
    yield tested
    with database.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    database.close()


# ---- machines that really report --------------------------------------------------------------


def _prototypes(count: int, mix: str) -> list[Record]:
    """What is really reported: all combinations of an office, some of a wild site."""
    by_model: dict[tuple[str, str], list[Record]] = {}
    for record in _records():
        by_model.setdefault((record.maker, record.product), []).append(record)
    models = list(by_model.values())
    if mix == "office":
        most = min(count, OFFICE_COMBINATIONS)
        models.sort(key=len, reverse=True)
    else:
        most = max(1, min(count // 2, WILD_PROTOTYPES))
        random.Random(_SEED).shuffle(models)
    return list(itertools.islice(itertools.chain(*models), most))


def _records() -> list[Record]:
    try:
        rows = list(shared_rows("firmware_records.tsv.gz"))
    except pytest.skip.Exception:
        return list(_invented())
    return [
        Record(
            row["sys_vendor"],
            row["board_vendor"],
            row["product"],
            row["board"],
            row["bios_version"],
            row["bios_date"],
            row["chassis_type"] in ("Notebook", "Laptop", "Convertible", "Portable"),
            int(row["machines"]),
        )
        for row in rows
        if row["bios_version"] and row["product"] and not is_placeholder(row["product"])
    ]


def _invented() -> Iterator[Record]:
    for number in range(6_000):
        model, version = divmod(number, 10)
        yield Record(
            maker=("Quillmark", "Tarnbrook", "Osier and Vane")[model % 3],
            board_maker="",
            product=f"Folio {model:03}",
            board=f"QF-{model:03}",
            version_text=f"1.{20 + version}",
            date_text=f"{version + 1:02}/14/{2014 + model % 11}",
            portable=model % 3 == 0,
            machines=1 + 40 // (1 + model),
        )


def _report(tested: TestedSite, names: Names, record: Record, mix: str) -> None:
    tested.clock.pass_by(seconds=1)
    send(tested, names, json.dumps(_body(names, record, mix), separators=(",", ":")).encode())


def send(tested: TestedSite, names: Names, body: bytes) -> None:
    """Enrol a machine, and send its first report."""
    code = tested.code(place=names.place)
    application = an_application(code, agent_id=names.agent_id, **names.identity)
    enrolled = tested.client.post("/api/v1/enrolments", json=application)
    assert enrolled.status_code == 201, enrolled.text
    headers = {"Content-Type": "application/json", "Content-Encoding": "gzip"}
    headers["Authorization"] = f"Bearer {enrolled.json['token']}"
    sent = tested.client.post("/api/v1/reports", data=gzip.compress(body, 1), headers=headers)
    assert sent.status_code == 201, sent.text


def _body(names: Names, record: Record, mix: str) -> dict[str, Any]:
    number = names.number
    worn = 9_000.0 if number % 17 == 0 else 45_000.0
    battery = Battery(name="BAT0", state="full", percent=96.0, full_mwh=worn, design_mwh=50_000.0)
    product = f"{record.product} {_VARIANT}" if mix == "wild" else record.product
    report = a_report(
        report_id=names.report_id,
        agent_id=names.agent_id,
        sequence=1,
        identity=names.identity,
        machine={
            "maker": record.maker or "System manufacturer",
            "product": product,
            "board_maker": record.board_maker,
            "board": record.board or "B-1",
            "chassis_type": PORTABLE if record.portable else DESKTOP,
        },
        firmware={
            "version_text": record.version_text,
            "date_text": record.date_text,
            "secure_boot": number % 11 != 0,
        },
        components={"items": tuple(_components())},
        power={"batteries": (battery,) if record.portable else ()},
        protection={"volumes": (SEALED_VOLUME if record.portable else PLAIN_VOLUME,)},
        agent={
            "probes": tuple(
                ProbeRun(name=f"probe-{each:02}", duration_ms=each) for each in range(14)
            )
        },
    )
    return report_to_json(report)


def _components() -> Iterator[Component]:
    """As many parts as make a report of some 5 KB, which is usual."""
    for number in range(30):
        yield Component(
            kind="drive",
            name=f"Solid state drive {number:02} of the test",
            version_text=f"QD{number:02}.1",
        )


def _record_knowledge(site: Site, mix: str) -> None:
    """Of every second model with several versions here: all of them as releases, and a review."""
    with site.database.reading() as connection:
        known = connection.execute(
            select(combinations.c.maker, combinations.c.model, combinations.c.version_text)
            .where(combinations.c.maker != "", combinations.c.version_key.is_not(None))
            .order_by(combinations.c.maker, combinations.c.model, combinations.c.version_text)
        ).all()
    groups = [list(group) for _, group in itertools.groupby(known, key=lambda row: row[:2])]
    some = [group for group in groups if len(group) > 1][::2]
    for number, group in enumerate(some, 1):
        _record_model(site, group, mix)
        _tell("models known", number, len(some))


def _record_model(site: Site, group: Sequence[Any], mix: str) -> None:
    maker, model, _ = group[0]
    named = f"{model.removesuffix(str(_VARIANT))}*" if mix == "wild" else model
    common = {"machine_maker": maker, "models": [named]}
    source = "https://maker.example/notes"
    reason = {"kind": "security", "priority": "scheduled", "says": "closes a hole"}
    last = group[-1].version_text
    document = {
        "releases": [
            {**common, "version_text": row.version_text, "minutes": 20, "can_go_back": True}
            | ({"reasons": [{**reason, "source": source}]} if row.version_text == last else {})
            for row in group
        ],
        "reviews": [
            {
                **common,
                "reviewed_at": "2026-05-01T10:00:00Z",
                "reviewed_by": "Ida Fenwick",
                "source": source,
                "newest_version_text": last,
            }
        ],
    }
    try:
        releases.import_document(site, WHO, document_of(document))
    except BadRowsError:
        return  # two spellings of one version, or a name that is too short for a pattern


# ---- copies of what they left -----------------------------------------------------------------


class _Copies:
    """Makes the other machines of a site out of the rows of the first."""

    def __init__(self, site: Site, prototypes: Sequence[Record], mix: str) -> None:
        self._site, self._mix = site, mix
        self._drawn = random.Random(_SEED)
        self._weights = list(itertools.accumulate(each.machines for each in prototypes))
        with site.database.reading() as connection:
            self._rows = {table: _by_machine(connection, table) for table in _OF_MACHINE}
            self._machines = [
                _row(dict(row), number)
                for number, row in enumerate(connection.execute(_ALL).mappings())
            ]
            self._combinations = {
                row["id"]: dict(row) for row in connection.execute(select(combinations)).mappings()
            }
            self._names: dict[int, list[dict[str, Any]]] = {}
            for row in connection.execute(select(combination_names)).mappings():
                self._names.setdefault(row["combination_id"], []).append(dict(row))
            self._next = 1 + (connection.scalar(select(func.max(combinations.c.id))) or 0)
        self._made: dict[tuple[int, int], int] = {}  # by prototype's combination and variant

    def make(self, count: int) -> None:
        first, begun = len(self._machines), time.perf_counter()
        for start in range(first, count, AT_ONCE):
            rows: dict[Table, list[dict[str, Any]]] = {table: [] for table in _IN_ORDER}
            numbers = range(start, min(start + AT_ONCE, count))
            for number in numbers:
                self._copy(number, rows)
            with self._site.database.writing() as connection:
                for table in _IN_ORDER:
                    if rows[table]:
                        connection.execute(insert(table), rows[table])
            _tell("copied", numbers[-1] + 1 - first, count - first, time.perf_counter() - begun)

    def _copy(self, number: int, rows: dict[Table, list[dict[str, Any]]]) -> None:
        prototype, variant = self._source(number)
        source, new_id, names = self._machines[prototype], number + 1, Names(number)
        swap = _Swap(Names(prototype), names, variant)
        whole = swap.text(self._text(prototype)).encode()
        own = {
            "id": new_id,
            "place": names.place,
            "token_digest": credentials.digest_of(names.token),
            "combination_id": self._combination(
                source.values["combination_id"], variant, swap, rows
            ),
            "report": packing.packed_against(whole, whole),
        }
        rows[machines].append({**swap.parts(source), **own})
        packed = packing.packed_text(whole)
        for table in _OF_MACHINE:
            for row in self._rows[table].get(prototype + 1, ()):
                body = {"body": packed} if "body" in row.values else {}
                rows[table].append({**swap.parts(row), "machine_id": new_id, **body})

    @cache  # noqa: B019  (lives as long as the program)
    def _text(self, prototype: int) -> str:
        (row,) = self._rows[whole_bodies][prototype + 1]
        return packing.unpacked_text(row.values["body"]).decode()

    def _source(self, number: int) -> tuple[int, int]:
        """The prototype of a machine, and which variant of it."""
        if self._mix == "wild":
            variant, prototype = divmod(number // 2, len(self._machines))
            return prototype, variant
        (prototype,) = self._drawn.choices(range(len(self._weights)), cum_weights=self._weights)
        return prototype, 0

    def _combination(
        self, source: int, variant: int, swap: "_Swap", rows: dict[Table, list[dict[str, Any]]]
    ) -> int:
        if variant == 0:
            return source
        if (source, variant) not in self._made:
            made, self._next = self._next, self._next + 1
            self._made[source, variant] = made
            rows[combinations].append({**swap.row(self._combinations[source]), "id": made})
            for row in self._names.get(source, ()):
                rows[combination_names].append({**swap.row(row), "combination_id": made})
        return self._made[source, variant]


@dataclass(frozen=True)
class _Swap:
    """Puts one machine's names in place of another's."""

    old: Names
    new: Names
    variant: int

    @cached_property
    def pairs(self) -> list[tuple[str, str]]:
        variant = (f" {_VARIANT}", f" {_VARIANT + self.variant}")
        return [*zip(self.old.all, self.new.all, strict=True), variant]

    def text(self, text: str) -> str:
        for old, new in self.pairs:
            text = text.replace(old, new)
        return text

    def row(self, row: dict[str, Any]) -> dict[str, Any]:
        return {name: self._value(value) for name, value in row.items()}

    def parts(self, row: "_Row") -> dict[str, Any]:
        """The same, where it is known which columns hold a name."""
        return row.values | {name: self._value(row.values[name]) for name in row.named}

    def _value(self, value: Any) -> Any:
        if isinstance(value, str):
            return self.text(value)
        if isinstance(value, dict | list):
            return json.loads(self.text(json.dumps(value)))
        return value


_OF_MACHINE = (whole_bodies, reports, report_ids, identities, attentions)
_IN_ORDER = (combinations, combination_names, machines, *_OF_MACHINE)
_ALL = select(machines).order_by(machines.c.id)


@dataclass(frozen=True, slots=True)
class _Row:
    """A row, and which of its columns hold a name of its machine."""

    values: dict[str, Any]
    named: tuple[str, ...]


def _row(values: dict[str, Any], number: int) -> _Row:
    names = [*Names(number).all, f" {_VARIANT}"]
    texts = {name: value for name, value in values.items() if isinstance(value, str)}
    held = (column for column, text in texts.items() if any(name in text for name in names))
    return _Row(values, tuple(held))


def _by_machine(connection: Connection, table: Table) -> dict[int, list[_Row]]:
    found: dict[int, list[_Row]] = {}
    for row in connection.execute(select(table)).mappings():
        number = row["machine_id"]
        found.setdefault(number, []).append(_row(dict(row), number - 1))
    return found


# ---- around it --------------------------------------------------------------------------------


def _without_waiting(connection: Any, record: Any) -> None:
    for pragma in ("synchronous = OFF", "cache_size = -1000000", "temp_store = MEMORY"):
        connection.execute(f"PRAGMA {pragma}")


def _digest() -> str:
    """Of what decides how rows look."""
    server = Path(sys.modules["flashworthy_server"].__file__ or "").parent
    parts = [(server / name).read_bytes() for name in _MADE_BY]
    return hashlib.sha256(b"".join([*parts, _LAYOUT])).hexdigest()[:8]


def _tell(what: str, done: int, total: int, seconds: float = 0.0) -> None:
    if done == total or done % 200 == 0:
        left = f", {seconds / done * (total - done):.0f} s left" if seconds else ""
        print(f"\r{what}: {done} of {total}{left}   ", end="", file=sys.stderr, flush=True)
    if done == total:
        print(file=sys.stderr)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("machines", type=int)
    options.add_argument("--mix", choices=MIXES, default="office")
    options.add_argument("--folder", type=Path, default=FOLDER)
    asked = options.parse_args()
    path = site_file(asked.machines, asked.mix, asked.folder)
    print(f"{path}: {path.stat().st_size / 1e6:,.0f} MB, {datetime.now(UTC):%Y-%m-%d}")


if __name__ == "__main__":
    main()
