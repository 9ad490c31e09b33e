"""The overview: every number of it, and what people have to look at first."""

from support.site import RELEASE, REVIEW


def test_an_empty_site_has_an_overview(site):
    assert site.get("/overview").json == {
        "as_of": "2026-05-04T10:00:00Z",
        "judging": None,
        "machines": 0,
        "not_reported": 0,
        "silent": 0,
        "outcomes": {"clear": 0, "prepare": 0, "hold": 0, "leave": 0, "undecided": 0},
        "standings": {"current": 0, "behind": 0, "ahead": 0, "unlisted": 0, "unreadable": 0},
        "priorities": {},
        "attention": {},
        "models": [],
        "places": {},
        "firmware_age": {},
        "worklist": [],
        "refusals": [],
    }


def test_the_overview_counts_every_machine_as_of_now(site):
    site.machine(1, place="Alder Lane / hall")
    site.machine(2, place="Alder Lane / annexe", firmware={"version_text": "1.34"})
    site.machine(3, place="Mill Street", machine={"product": "Slate 3"})
    site.machine(
        4,
        machine={"product": "Slate 3"},
        firmware={"secure_boot": False, "date_text": "05/05/2020"},
    )
    site.enrol(hostname="never-reported", agent_id="7b0c5a44-0a55-4c5e-9d4f-52d1a1f2b8ff")
    site.know()

    assert site.get("/overview").json == {
        "as_of": "2026-05-04T10:00:00Z",
        "judging": None,
        "machines": 5,
        "not_reported": 1,
        "silent": 0,
        "outcomes": {"clear": 1, "prepare": 0, "hold": 0, "leave": 1, "undecided": 2},
        "standings": {"current": 1, "behind": 1, "ahead": 0, "unlisted": 2, "unreadable": 0},
        "priorities": {"none": 4, "out-of-cycle": 1},
        "attention": {"priority": 1, "secure-boot-off": 1},
        "models": [
            {"maker": "Quillmark", "model": "Folio 14", "machines": 2},
            {"maker": "Quillmark", "model": "Slate 3", "machines": 2},
        ],
        "places": {"Alder Lane": 2, "not known": 2, "Mill Street": 1},
        # 05/04/2023 is three years old on 2026-05-04, 05/05/2020 is not yet six.
        "firmware_age": {"not known": 1, "5": 1, "3": 3},
        "worklist": [
            {
                "maker": "Quillmark",
                "model": "Slate 3",
                "board": None,
                "board_version": None,
                "version_text": "1.29",
                "machines": 2,
                "because": "nobody has compared it with the maker's releases",
                "newest_seen": None,
            }
        ],
        "refusals": [],
    }


def test_the_worklist_begins_with_what_most_machines_wait_for(site):
    site.machine(1, machine={"product": "Slate 3"})
    for number in (2, 3):
        site.machine(number, machine={"product": "Tome 7"})

    worklist = site.get("/overview").json["worklist"]

    assert [(item["model"], item["machines"]) for item in worklist] == [
        ("Tome 7", 2),
        ("Slate 3", 1),
    ]


def test_the_newest_version_seen_here_is_told_as_it_is_now(site):
    site.machine(1)
    site.machine(2, firmware={"version_text": "1.31"})
    site.machine(3, firmware={"version_text": "1.31"}, machine={"board_version": "B2"})
    site.machine(4, firmware={"version_text": "1.10"})

    worklist = site.get("/overview").json["worklist"]

    seen = {item["version_text"]: item["newest_seen"] for item in worklist}
    newest = {"version_text": "1.31", "machines": 2, "since": "2026-05-04T09:58:00Z"}
    assert seen == {"1.10": newest, "1.29": newest, "1.31": None}


def test_what_cannot_be_read_is_on_the_worklist_with_its_reason(site):
    site.machine(1, firmware={"version_text": "utterly unlike a version !"})
    site.post("/releases/import", {"releases": [RELEASE], "reviews": [REVIEW]})

    (item,) = site.get("/overview").json["worklist"]

    assert "utterly unlike a version !" in item["because"]


def test_a_silent_machine_is_counted(site):
    site.machine(1)
    site.clock.pass_by(days=8)

    overview = site.get("/overview").json

    assert overview["silent"] == 1
    assert overview["attention"]["silent"] == 1
