"""What people record at the terminal: whole output, and one plain line where something is wrong."""

import hashlib
import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from flashworthy_common.report import report_to_json
from flashworthy_server.cli import main
from support.machines import a_report
from support.site import KNOWLEDGE, RELEASE


@pytest.fixture
def run(url, clock, tmp_path, monkeypatch):
    """Run a command on the test's database; its result."""
    monkeypatch.chdir(tmp_path)

    def run(*words):
        environment = {"FLASHWORTHY_DATABASE": url, "FLASHWORTHY_PACKAGES": str(tmp_path / "kept")}
        return CliRunner().invoke(main, words, env=environment, obj=clock)

    return run


@pytest.fixture
def stocked(run):
    """One carried report, and the knowledge about its model."""
    write("r.json", KNOWLEDGE)
    assert run("releases", "import", "r.json").exit_code == 0
    report = report_to_json(a_report()) | {"source": "file", "why": "by-hand"}
    write("one.json", report | {"identity": {"hostname": "reading-room-4"}})
    assert run("reports", "import", "one.json").exit_code == 0
    return run


def write(name, data):
    Path(name).write_text(data if isinstance(data, str) else json.dumps(data), encoding="utf-8")


def outcome(run, name="reading-room-4"):
    return run("verdict", name).output.split()[0]


# ---- releases ----------------------------------------------------------------------------------


def test_releases_are_recorded_and_listed(run):
    write("r.json", KNOWLEDGE)

    first, second = run("releases", "import", "r.json"), run("releases", "import", "r.json")

    assert first.output == (
        "releases: 1 added, 0 changed, 0 unchanged\nreviews: 1 added, 0 changed, 0 unchanged\n"
    )
    assert second.output == (
        "releases: 0 added, 0 changed, 1 unchanged\nreviews: 0 added, 0 changed, 1 unchanged\n"
    )
    assert run("releases", "list").output == (
        "#    maker      version    of          models    state    for\n"
        "---  ---------  ---------  ----------  --------  -------  -----------------------\n"
        "1    Quillmark  1.34       2026-03-02  Folio 14  offered  security (out-of-cycle)\n"
    )
    assert run("releases", "list", "--maker", "Brightloom").output == "no release is recorded\n"
    assert run("releases", "list", "--state", "withdrawn").output == "no release is recorded\n"


def test_bad_rows_are_listed_with_line_and_field(run):
    rows = ",\n  ".join(json.dumps(row) for row in (RELEASE, {**RELEASE, "models": []}))
    write("r.json", f'{{"releases": [\n  {rows},\n  7\n]}}')

    result = run("releases", "import", "r.json")

    assert result.exit_code == 1
    assert result.stderr == (
        "r.json: 2 bad rows; nothing was recorded\n"
        "  line 3, releases[1].models: expected the name of one model or more, got none\n"
        "  line 4, releases[2]: expected an object, got 7\n"
    )
    assert run("releases", "list").output == "no release is recorded\n"


def test_a_dry_run_shows_the_difference_and_records_nothing(run):
    write("r.json", KNOWLEDGE)
    run("releases", "import", "r.json")
    changed = RELEASE | {"minutes": 40, "ways": ["capsule"]}
    write("r.json", {"releases": [changed, RELEASE | {"version_text": "1.36"}]})

    result = run("releases", "import", "r.json", "--dry-run")

    assert result.output == (
        "~ release Quillmark Inc. Folio 14: 1.34\n"
        '    ways: ["inside-os"] -> ["capsule"]\n'
        "    minutes: 25 -> 40\n"
        "+ release Quillmark Inc. Folio 14: 1.36\n"
        "nothing was recorded: this is what an import would do\n"
        "releases: 1 added, 1 changed, 0 unchanged\n"
    )
    assert run("releases", "list").output.count("1.34") == 1


def test_what_is_exported_can_be_imported(run):
    write("r.json", KNOWLEDGE)
    run("releases", "import", "r.json")

    write("whole.json", run("releases", "export").output)
    write("some.csv", run("releases", "export", "--csv").output)

    assert run("releases", "import", "whole.json").output.count("0 added, 0 changed") == 2
    assert run("releases", "import", "some.csv").output == (
        "releases: 0 added, 0 changed, 1 unchanged\n"
    )


def test_the_columns_of_a_csv_file_are_explained(run):
    output = run("releases", "columns").output

    assert re.search(r"^models +product names, boards or machine types", output, re.MULTILINE)


def test_a_release_is_withdrawn_with_a_reason(stocked):
    silent = stocked("releases", "state", "1", "withdrawn")
    done = stocked("releases", "state", "1", "withdrawn", "--reason", "it stops some disks")

    assert (silent.exit_code, silent.stderr) == (
        1,
        "1 bad field; nothing was recorded\n"
        "  state_reason: expected why it was withdrawn, got nothing\n",
    )
    assert done.output == "Quillmark 1.34 is withdrawn\n"
    assert outcome(stocked) == "LEAVE"
    assert stocked("releases", "state", "9", "offered").output == (
        "flashworthy-server: there is no release #9\n"
    )


# ---- reviews -----------------------------------------------------------------------------------


def test_a_page_that_was_read_is_recorded_in_one_line(stocked):
    result = stocked(
        *("review", "record", "--maker", "Quillmark", "--model", "Folio 14"),
        *("--newest", "1.36", "--released", "2026-04-01", "--by", "Tom Arden"),
        *("--source", "https://quillmark.example/folio-14"),
        *("--reason", "closes a hole", "--advisory", "QM-2026-11"),
    )

    assert result.output == ("recorded: Quillmark offers 1.36; it is a release from now on\n")
    assert "Tom Arden" in stocked("review", "list").output
    assert "1.29 -> 1.36" in stocked("verdict", "reading-room-4").output


def test_a_page_that_cannot_be_understood_is_told_by_field(run):
    result = run(
        *("review", "record", "--maker", "Quillmark", "--model", "*", "--newest", "odd !"),
        *("--source", "page"),
    )

    assert result.exit_code == 1
    assert result.stderr.splitlines()[0] == "2 bad fields; nothing was recorded"
    assert [line.split(":")[0].strip() for line in result.stderr.splitlines()[1:]] == [
        "models[0]",
        "newest_version_text",
    ]


# ---- weighing ----------------------------------------------------------------------------------


def test_the_sites_inputs_are_shown_and_set(run):
    assert re.search(r"^exposure +controlled +controlled ", run("weighing", "show").output, re.M)

    result = run("weighing", "set", "exposure=open", "automatable=yes")

    assert re.search(r"^exposure +open +controlled ", result.output, re.MULTILINE)
    assert re.search(r"^automatable +yes +no ", result.output, re.MULTILINE)
    wrong = run("weighing", "set", "exposure=wide")
    assert wrong.stderr == (
        "1 bad field; nothing was recorded\n"
        "  exposure: expected one of small, controlled, open, got 'wide'\n"
    )


def test_advisories_and_the_catalogue_are_recorded_and_shown(run):
    assert run("exploited", "show").output == "no catalogue is recorded\n"
    entry = {"cveID": "CVE-2026-99901", "dateAdded": "2026-05-01", "dueDate": "2026-05-22"}
    catalogue = {"catalogVersion": "2026.05.02", "dateReleased": "2026-05-02T10:00:00Z"}
    write("kev.json", {**catalogue, "count": 1, "vulnerabilities": [entry]})

    dry = run("exploited", "import", "kev.json", "--dry-run")
    done = run("exploited", "import", "kev.json")

    lines = (
        "catalogue 2026.05.02 of 2026-05-02T10:00:00Z: 1 holes, 1 more and 0 fewer than before\n"
        "closed by recorded releases: none of them\n"
    )
    assert done.output == lines
    assert dry.output == lines + "nothing was recorded: this is what an import would do\n"
    write("kev.json", {**catalogue, "count": 2, "vulnerabilities": [entry]})
    assert run("exploited", "import", "kev.json").stderr == (
        "kev.json: 1 bad field; nothing was recorded\n"
        "  count: expected 1, the number of entries, got 2\n"
    )

    cvss = "CVSS:3.1/AV:L/AC:L/PR:H/UI:N/S:C/C:H/I:H/A:H"
    words = ("advisories", "record", "QM-2026-07", "--cvss", cvss)
    assert run(*words).output == "QM-2026-07 is recorded\n"
    assert run(*words).output == "QM-2026-07 is known as it was\n"
    assert "8.2 High" in run("advisories", "list").output


def test_a_symptom_is_recorded_listed_and_ended(stocked):
    added = stocked("symptoms", "add", "reading-room-4", "the fan hums after sleep")

    assert added.output == "symptom #1 of reading-room-4 is recorded\n"
    assert "the fan hums after sleep" in stocked("symptoms", "list", "#1").output
    assert stocked("symptoms", "end", "reading-room-4", "1").output == (
        "symptom #1 of reading-room-4 has ended\n"
    )
    too_little = stocked("symptoms", "add", "reading-room-4", "odd")
    assert too_little.stderr.splitlines()[1].startswith("  says: expected what it shows")


# ---- exceptions --------------------------------------------------------------------------------


def test_an_exception_for_a_machine_takes_its_names_from_it(stocked):
    made = stocked(
        *("exceptions", "add", "risk-accepted", "--machine", "reading-room-4"),
        *("--version", "1.34", "--reason", "exams", "--owner", "Ida", "--until", "2026-05-31"),
    )

    assert made.output == "exception #1 holds until 2026-05-31\n"
    assert outcome(stocked) == "LEAVE"
    assert "exams (Ida, until 2026-05-31)" in stocked("verdict", "reading-room-4").output
    assert stocked("exceptions", "list").output == (
        "#    what           about    for                     until       owner    reason\n"
        "---  -------------  -------  ----------------------  ----------  -------  --------\n"
        "1    risk-accepted  1.34     Quillmark Folio 14: #1  2026-05-31  Ida      exams\n"
    )

    ended = stocked("exceptions", "end", "1", "--reason", "over")

    assert ended.output == "exception #1 has ended\n"
    assert outcome(stocked) == "PREPARE"
    assert "2026-05-04 (ended early)" in stocked("exceptions", "list").output
    assert stocked("exceptions", "list", "--in-force").output == "no exception is recorded\n"


def test_an_exception_that_is_over_already_is_refused(stocked):
    result = stocked(
        *("exceptions", "add", "not-this-release", "--maker", "Quillmark", "--model", "Folio 14"),
        *("--version", "1.34", "--reason", "x", "--owner", "Ida", "--until", "2026-05-01"),
    )

    assert result.stderr == (
        "1 bad field; nothing was recorded\n"
        "  until: expected today or a later day, got 2026-05-01\n"
    )


# ---- packages ----------------------------------------------------------------------------------


def keep(run, *more):
    Path("folio.cap").write_bytes(b"firmware")
    return run(
        *("packages", "keep", "folio.cap", "--maker", "Quillmark", "--model", "Folio 14"),
        *("--version", "1.29", "--source", "https://quillmark.example/folio-14", *more),
    )


def test_a_package_is_kept_verified_and_fetched(stocked):
    sha256 = hashlib.sha256(b"firmware").hexdigest()
    assert "1.29" in stocked("packages", "missing").output

    kept = keep(stocked, "--published-digest", sha256)

    assert kept.output == f"package #1: 8 bytes, sha-256:{sha256}\n"
    assert "1.29 is kept" in stocked("verdict", "reading-room-4", "--all").output
    assert stocked("packages", "missing").output == "a package of everything that runs is kept\n"
    assert stocked("packages", "verify").output == "1 intact, 0 damaged\n"
    assert stocked("packages", "fetch", "1", "out.cap").exit_code == 0
    assert Path("out.cap").read_bytes() == b"firmware"
    assert stocked("packages", "fetch", "1", "out.cap").output == (
        "flashworthy-server: cannot write out.cap: File exists\n"
    )


def test_verifying_finds_what_is_damaged_and_what_belongs_to_nothing(stocked, tmp_path):
    sha256 = hashlib.sha256(b"firmware").hexdigest()
    keep(stocked)
    place = tmp_path / "kept" / sha256[:2] / sha256
    place.chmod(0o600)
    place.write_bytes(b"firmwarf")
    (tmp_path / "kept" / "incoming" / "left").write_bytes(b"half of one")

    result = stocked("packages", "verify")

    other = hashlib.sha256(b"firmwarf").hexdigest()
    assert result.exit_code == 1
    assert result.output == (
        "0 intact, 1 damaged\n"
        f"  {sha256}: the file's SHA-256 is {other} now; keep it again from its source\n"
        f"  {tmp_path}/kept/incoming/left belongs to nothing and may be removed\n"
    )
    assert "no package of 1.29 is kept" in stocked("verdict", "reading-room-4").output


def test_a_board_dump_is_listed_as_for_its_machine_only(stocked):
    keep(stocked, "--machine", "reading-room-4")

    assert "machine #1 only" in stocked("packages", "list").output


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (("--published-digest", "0" * 64), "flashworthy-server: expected a file with the digest"),
        (("--published-digest", "x"), "folio.cap: 1 bad field; nothing was recorded"),
        (("--machine", "nobody"), "flashworthy-server: there is no machine named 'nobody'"),
    ],
)
def test_a_file_that_is_not_what_is_said_is_refused(stocked, more, message):
    result = keep(stocked, *more)

    assert result.exit_code == 1
    assert result.output.startswith(message)
    assert stocked("packages", "list").output == "no package is kept\n"


def test_a_file_that_is_not_there_is_one_plain_line(run):
    result = run(
        *("packages", "keep", "no.cap", "--maker", "Quillmark", "--model", "Folio 14"),
        *("--version", "1.29", "--source", "x"),
    )

    assert result.output == "flashworthy-server: cannot read no.cap: No such file or directory\n"
