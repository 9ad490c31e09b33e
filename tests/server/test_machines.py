"""Machines as rows, pages, views and verdicts."""

import csv
import io
import json
import re
from datetime import timedelta
from urllib.parse import quote

import pytest
from sqlalchemy import select, update

from flashworthy_common.report import Battery
from flashworthy_server.services import machines as service
from flashworthy_server.store import listing
from flashworthy_server.store.listing import Filters, list_machines
from flashworthy_server.tables import combinations, machines
from support.machines import NOW
from support.site import WHO, a_sent_report


def names(response):
    return [row["name"] for row in response.json["machines"]]


def next_path(response):
    """Where the link with rel="next" leads; none on the last page."""
    match = re.fullmatch(r'</api/v1(?P<path>[^>]+)>; rel="next"', response.headers.get("Link", ""))
    return match and match["path"]


def pages(site, path):
    while path:
        page = site.get(path)
        assert page.status_code == 200
        yield page
        path = next_path(page)


def test_machines_come_in_the_order_of_their_names_a_page_at_a_time(site):
    for number in (3, 1, 2, 7, 5, 6, 4):
        site.machine(number)

    found = [names(page) for page in pages(site, "/machines?limit=3")]

    assert found == [
        ["desk-001", "desk-002", "desk-003"],
        ["desk-004", "desk-005", "desk-006"],
        ["desk-007"],
    ]


def test_a_page_that_is_just_full_has_no_next_one(site):
    for number in (1, 2):
        site.machine(number)

    assert next_path(site.get("/machines?limit=2")) is None


def test_a_walk_meets_every_machine_once_although_others_join_on_the_way(site):
    for number in range(10, 20):
        site.machine(number)
    seen, joining = [], iter((1, 99, 15))  # before, after and amid what was seen

    for page in pages(site, "/machines?limit=3"):
        seen += [row["id"] for row in page.json["machines"]]
        site.enrol(agent_id=f"7b0c5a44-0a55-4c5e-9d4f-{next(joining, 50):012d}")

    assert len(seen) == len(set(seen))
    assert set(range(1, 11)) <= set(seen)


def test_a_link_carries_the_filters_on(site):
    for number in range(1, 5):
        site.machine(number, place="Alder Lane" if number % 2 else "Mill Street")

    found = [names(page) for page in pages(site, "/machines?place=Alder+Lane&limit=1")]

    assert found == [["desk-001"], ["desk-003"]]


@pytest.fixture
def varied(site):
    """Four machines that differ in what the filters ask for."""
    site.machine(1, place="Alder Lane / ground floor / hall")
    site.machine(2, place="Alder Lane 2", firmware={"version_text": "1.34"})
    site.machine(3, place="Mill Street", machine={"maker": "Brightloom GmbH", "product": "Slate 3"})
    site.machine(4, place="Alder Lane / annexe", firmware={"secure_boot": False})
    site.know()
    return site


@pytest.mark.parametrize(
    ("query", "numbers"),
    [
        ("", [1, 2, 3, 4]),
        ("outcome=undecided", [3]),
        ("outcome=leave", [2]),
        ("outcome=clear", [1, 4]),
        ("standing=behind", [1, 4]),
        ("standing=current", [2]),
        ("priority=out-of-cycle", [1, 4]),
        ("priority=immediate", []),
        ("place=Alder Lane", [1, 4]),
        ("place=alder lane", []),
        ("place=Alder Lane/ground floor", [1]),
        ("place=Alder", []),
        ("maker=QUILLMARK, Inc.", [1, 2, 4]),
        ("maker=Brightloom", [3]),
        ("maker=Brightloom&model=Slate 3", [3]),
        ("maker=Brightloom&model=Slate 3&standing=behind", []),
        ("model=Slate 3", [3]),
        ("attention=priority", [1, 4]),
        ("attention=secure-boot-off", [4]),
        ("attention=silent", []),
        ("firmware_before=2023-05-05", [1, 2, 3, 4]),
        ("firmware_before=2023-05-04", []),
        ("text=slate", [3]),
        ("text=MILL", [3]),
        ("text=1.34", [2]),
        ("text=desk-00", [1, 2, 3, 4]),
        ("text=d%k", []),
        ("outcome=clear&place=Alder Lane&attention=secure-boot-off", [4]),
    ],
)
@pytest.mark.parametrize("most_gathered", [10_000, -1], ids=["gathered", "walked"])
def test_filters_name_the_machines_that_are_meant(
    varied, query, numbers, most_gathered, monkeypatch
):
    monkeypatch.setattr(listing, "MOST_GATHERED", most_gathered)

    assert names(varied.get(f"/machines?{query}")) == [f"desk-{each:03}" for each in numbers]


@pytest.mark.parametrize("count", [1, 2, 3, 5])
def test_pages_of_a_few_combinations_hold_each_machine_once_in_order(site, count):
    """Of 18 machines, one version has six, another three; the rest are of another model."""
    for number in range(1, 19):
        of = {"product": "Folio 14" if number % 2 else "Slate 3"}
        firmware = {"version_text": "1.34" if number % 3 else "1.35"}
        site.machine(number, machine=of, firmware=firmware)
    service.take_out_of_service(site.site, WHO, 7, "sold")
    with site.site.database.writing() as connection:  # names that repeat across a page's end
        of_some = machines.c.name.in_(["desk-005", "desk-009", "desk-011"])
        connection.execute(update(machines).where(of_some).values(name="desk-005"))

    found, after = [], None
    while page := listed(site, Filters(model="Folio 14"), after, count):
        found += page
        after = page[-1]

    assert found == [
        *(("desk-001", 1), ("desk-003", 3), ("desk-005", 5), ("desk-005", 9), ("desk-005", 11)),
        *(("desk-013", 13), ("desk-015", 15), ("desk-017", 17)),
    ]


def listed(site, filters, after, count):
    """Names and ids of a page."""
    with site.site.database.reading() as connection:
        page = list_machines(connection, filters, now=site.clock(), after=after, count=count)
    return [(machine.name, machine.id) for machine in page]


def test_a_machine_out_of_service_is_found_where_it_was_moved_to_since(site):
    site.machine(1, place="Alder Lane")
    service.take_out_of_service(site.site, WHO, 1, "sold")
    service.move(site.site, WHO, 1, "Mill Street")

    assert names(site.get("/machines?out_of_service=true&place=Mill Street")) == ["desk-001"]
    assert names(site.get("/machines?out_of_service=true&place=Alder Lane")) == []


@pytest.mark.parametrize(
    ("text", "is_found"),
    [
        ("rm_7", True),
        ("RM_7", True),
        ("rm 7", False),  # _ stands for itself
        ("50%", True),
        ("5%", False),
        ("/ \u00c9tage", True),
        ("\u00c9TAGE", True),
        ("\u00e9tage", False),  # only of A to Z both cases are one
    ],
)
def test_a_text_is_found_whichever_case_its_letters_a_to_z_have(site, text, is_found):
    site.machine(1, place="Mill 50% / \u00c9tage / Rm_7")

    assert names(site.get(f"/machines?text={quote(text)}")) == (["desk-001"] if is_found else [])
    assert names(site.get("/machines?text=nowhere")) == []


def test_a_machine_without_a_report_for_long_is_silent(site):
    site.machine(1)
    site.enrol(hostname="never-reported", agent_id="7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b8ff")
    site.clock.pass_by(days=8)
    site.machine(2)

    assert names(site.get("/machines?attention=silent")) == ["desk-001", "never-reported"]
    (silent,) = site.get("/machines/1").json["attention"]
    assert (silent["code"], silent["says"]) == ("silent", "no report since 2026-05-04")
    assert silent["since"] == "2026-05-11T10:00:00Z"  # seven days after its last report


def test_all_that_match_come_as_json_as_in_pages(site):
    worn = Battery(name="BAT0", percent=90.0, full_mwh=9_000.0, design_mwh=50_000.0)
    for number in range(1, 8):  # more than a page, and more than one batch
        site.machine(number, place="Alder Lane / hall", power={"batteries": (worn,)})
    site.enrol(hostname="never-reported", agent_id="7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b8ff")
    site.know()
    site.settle(export_batch_machines=3)
    resting = {"code": "battery-worn", "reason": "ordered", "until": "2026-05-20"}
    site.post("/machines/2/attention/rest", resting)
    site.clock.pass_by(seconds=0.25)
    site.machine(9)

    page = site.get("/machines?limit=100").json
    response = site.get("/machines?all=true")

    assert response.json == page
    assert [row["attention"] for row in page["machines"]][:2] == [
        ["battery-worn", "priority"],
        ["priority"],
    ]
    assert page["machines"][7]["received_at"] == "2026-05-04T10:00:00.250Z"


def test_all_that_match_come_as_csv(site):
    for number in range(1, 8):  # more than a page
        site.machine(number, place="Alder Lane / hall")
    site.machine(8, place="Mill Street")

    response = site.get("/machines?place=Alder+Lane", Accept="text/csv")

    assert response.content_type == "text/csv; charset=utf-8"
    rows = list(csv.DictReader(io.StringIO(response.text)))
    assert [row["name"] for row in rows] == [f"desk-{number:03}" for number in range(1, 8)]
    assert rows[0]["place"] == "Alder Lane / hall"
    assert rows[0]["outcome"] == "undecided"
    assert rows[0]["marked"] == ""


@pytest.mark.parametrize("at_once", [3, 4])  # of nine: some are left over, or none
def test_csv_says_what_json_says(site, at_once):
    for number in range(1, 8):
        site.machine(number, place="Alder Lane / hall", firmware={"secure_boot": number % 2 == 0})
    site.enrol(hostname="never-reported", agent_id="7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b8ff")
    site.know()
    site.settle(export_batch_machines=at_once)
    site.clock.pass_by(seconds=0.25)
    site.machine(9)
    rest = {"code": "priority", "reason": "ordered", "until": "2026-05-20"}
    site.post("/machines/2/attention/rest", rest)

    response = site.get("/machines", Accept="text/csv")

    rows = list(csv.DictReader(io.StringIO(response.text, newline="")))
    said = site.get("/machines?all=true").json["machines"]
    assert rows == [{name: as_a_cell(value) for name, value in row.items()} for row in said]
    assert [row["attention"] for row in rows[:2]] == ["priority secure-boot-off", ""]


def as_a_cell(value):
    if isinstance(value, list):
        return " ".join(value)
    return "" if value is None else str(value)


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])  # OWASP, CSV injection
def test_no_cell_of_a_csv_is_a_formula(site, start):
    site.machine(1)
    site.patch("/machines/1", {"marked": f"{start}cmd|' /C calc'!A0"})

    response = site.get("/machines", Accept="text/csv")

    (row,) = csv.DictReader(io.StringIO(response.text, newline=""))
    assert row["marked"] == f"'{start}cmd|' /C calc'!A0"


ODD_TEXTS = [
    *(
        "a,b",
        ",",
        'say "hold"',
        '"',
        "'",
        "two\r\nlines",
        "a\nb",
        "\r",
        "=1+1",
        '-"5",',
        "@",
        "a=b",
    ),
    *(
        " ",
        "\t",
        "a\tb",
        "\\",
        "\\n",
        "\x01\x1f\x7f",
        "\u2028",
        "\u00e9\U0001f600",
        "%s",
        "null",
        "[]",
    ),
]


def with_odd_texts(site):
    for number, text in enumerate(ODD_TEXTS, 1):
        site.machine(number)
        service.mark(site.site, WHO, number, text)


COLUMNS_OF_ANY_TEXT = [
    *(machines.c[name] for name in ("name", "place", "marked", "sentence")),
    *(combinations.c[name] for name in ("maker", "model", "board", "version_text")),
]


def as_a_csv_writer_writes(rows):  # RFC 4180; any text in quotation marks, others need none
    texts = {column.name for column in COLUMNS_OF_ANY_TEXT}
    lines = [",".join(rows[0])]
    for row in rows[1:]:
        cells = zip(rows[0], row, strict=True)
        lines.append(",".join(quoted(cell) if name in texts else cell for name, cell in cells))
    return "".join(f"{line}\r\n" for line in lines)


def quoted(cell):
    written = io.StringIO()
    csv.writer(written, quoting=csv.QUOTE_ALL, lineterminator="").writerow([cell])
    return written.getvalue()


def test_lines_of_csv_are_those_that_a_csv_writer_writes(site):
    with_odd_texts(site)

    response = site.get("/machines", Accept="text/csv")

    read = list(csv.reader(io.StringIO(response.text, newline=""), strict=True))
    assert response.text == as_a_csv_writer_writes(read)
    place = read[0].index("marked")
    guarded = [f"'{text}" if text[0] in "=+-@\t\r" else text for text in ODD_TEXTS]
    assert [row[place] for row in read[1:]] == guarded


def value_of(site, column):
    with site.site.database.reading() as connection:
        return connection.scalars(select(column).limit(1)).one()


def put(site, column, value):
    with site.site.database.writing() as connection:
        connection.execute(update(column.table).values({column.name: value}))


@pytest.mark.parametrize("column", COLUMNS_OF_ANY_TEXT, ids=lambda column: column.name)
def test_whichever_text_is_odd_a_line_of_csv_is_that_which_a_csv_writer_writes(site, column):
    site.machine(1)
    site.machine(2)
    kept, lines = value_of(site, column), []
    for text in ODD_TEXTS:
        put(site, column, text)
        lines.append(site.get("/machines", Accept="text/csv").text)
    put(site, column, kept)  # the summary counts by some of them

    for text, line in zip(ODD_TEXTS, lines, strict=True):
        read = list(csv.reader(io.StringIO(line, newline=""), strict=True))
        assert line == as_a_csv_writer_writes(read)
        guarded = f"'{text}" if text[0] in "=+-@\t\r" else text
        assert [row[read[0].index(column.name)] for row in read[1:]] == [guarded, guarded]


def test_texts_of_json_are_those_that_were_kept(site):
    with_odd_texts(site)

    response = site.get("/machines?all=true")

    assert [row["marked"] for row in response.json["machines"]] == ODD_TEXTS
    assert all(json.dumps(text, ensure_ascii=False) in response.text for text in ODD_TEXTS)


def test_one_machine_is_told_with_its_need_its_report_and_what_asks_for_attention(site):
    site.machine(1, place="Alder Lane", firmware={"secure_boot": False})

    view = site.get("/machines/1").json

    assert list(view) == ["machine", "agent_id", "enrolled_at", "attention", "need", "report"]
    assert view["agent_id"] == "7b0c5a44-0a55-4c5e-9d4f-000000000001"
    assert view["enrolled_at"] == "2026-05-04T10:00:00Z"
    assert view["attention"] == [
        {
            "code": "secure-boot-off",
            "says": "Secure Boot is off",
            "first_seen_at": "2026-05-04T10:00:00Z",
            "since": "2026-05-04T10:00:00Z",
            "acknowledged": None,
        }
    ]
    assert view["need"]["standing"] == "unlisted"
    assert view["report"]["firmware"]["version_text"] == "1.29"


def test_attention_says_since_when_it_lasts_and_ends_with_its_cause(site):
    token = site.machine(1, firmware={"secure_boot": False})
    agent_id = site.get("/machines/1").json["agent_id"]

    def report_again(sequence, **firmware):
        site.clock.pass_by(hours=1)
        identity = {"system_serial": "QM0001"}
        report = a_sent_report(
            sequence=sequence, agent_id=agent_id, identity=identity, firmware=firmware
        )
        assert site.send(token, report).status_code == 201
        return site.get("/machines/1").json["attention"]

    (attention,) = report_again(2, secure_boot=False)
    assert attention["since"] == "2026-05-04T10:00:00Z"
    assert report_again(3, secure_boot=True) == []


def test_a_history_goes_back_a_page_at_a_time(site):
    token = site.enrol(hostname="reading-room-4")
    for sequence in range(1, 8):
        site.send(token, a_sent_report(sequence=sequence))

    found = [
        [each["sequence"] for each in page.json["reports"]]
        for page in pages(site, "/machines/1/history?limit=3")
    ]

    assert found == [[7, 6, 5], [4, 3, 2], [1]]


def test_a_verdict_is_asked_for_from_the_desk_or_on_the_spot(site):
    site.machine(1, place="Alder Lane / hall")
    site.know()

    desk = site.get("/machines/1/verdict").json
    site.clock.pass_by(minutes=30)
    spot = site.get("/machines/1/verdict?moment=spot").json

    assert (desk["outcome"], desk["moment"]) == ("clear", "desk")
    assert (
        desk["sentence"] == "Go and install 1.34; look again on the spot. 25 minutes, one restart."
    )
    assert desk["priority"] == "out-of-cycle"
    assert desk["need"]["path"] == ["1.29", "1.34"]
    assert (spot["outcome"], spot["moment"]) == ("hold", "spot")


def test_a_machine_may_ask_for_its_own_verdict_and_no_other(site):
    first, second = site.machine(1), site.machine(2)

    assert site.get("/machines/1/verdict?moment=spot", token=first).status_code == 200
    refused = site.get("/machines/1/verdict?moment=spot", token=second)

    assert refused.status_code == 403
    assert refused.json["detail"] == "a machine's token reaches this machine only"


def test_a_kept_verdict_is_judged_again_once_it_no_longer_holds(site):
    site.machine(1)
    site.know()
    assert names(site.get("/machines?outcome=clear")) == ["desk-001"]

    site.clock.pass_by(hours=5)  # what was seen of power is too old now

    assert names(site.get("/machines?outcome=clear")) == []
    (row,) = site.get("/machines").json["machines"]
    assert row["outcome"] == "prepare"
    assert row["holds_until"] > "2026-05-04T15:00:00Z"


def test_a_marked_machine_is_held_whatever_speaks_for_it(site):
    site.machine(1)
    site.know()

    marked = site.patch("/machines/1", {"marked": "drug cabinet control"})
    assert marked.status_code == 200
    assert marked.json["machine"]["outcome"] == "hold"
    assert "drug cabinet control" in marked.json["machine"]["sentence"]

    assert site.patch("/machines/1", {"marked": None}).json["machine"]["outcome"] == "clear"


@pytest.mark.parametrize("data", [{}, {"marked": ""}, {"marked": 5}, {"marked": "x" * 201}])
def test_a_mark_that_says_nothing_is_refused(site, data):
    site.machine(1)

    assert site.patch("/machines/1", data).status_code == 422


def test_a_report_is_as_old_as_it_says_and_not_as_it_arrived(site):
    token = site.enrol(hostname="reading-room-4")
    report = a_sent_report()
    report["taken_at"] = (NOW - timedelta(hours=30)).isoformat()

    site.send(token, report)

    checks = {each["code"]: each for each in site.get("/machines/1/verdict").json["checks"]}
    assert checks["evidence.report_age"]["answer"] == "unknown"
