"""Firmware files are kept whole or not at all, matched, verified, and given back as they came."""

import base64
import hashlib
import resource
import signal
from pathlib import Path

import pytest

from flashworthy_server.errors import NoSpaceError
from flashworthy_server.package_folder import Limits, PackageFolder
from support.site import RELEASE, REVIEW

CONTENT = b"the package of 1.29"
SHA256 = hashlib.sha256(CONTENT).hexdigest()
LIMITS = Limits(package_bytes=10_000_000, spare_bytes=0)


@pytest.fixture
def behind(site):
    """Two machines that need nothing but the package of what they run."""
    for number in (1, 2):
        site.machine(number)
    site.post("/releases/import", {"releases": [RELEASE], "reviews": [REVIEW]})
    return site


def outcomes(site):
    return [row["outcome"] for row in site.get("/machines").json["machines"]]


def files(site):
    folder = Path(site.site.config.packages)
    return sorted(path.name for path in folder.rglob("*") if path.is_file())


def package_check(site, number):
    checks = site.get(f"/machines/{number}/verdict").json["checks"]
    return next(each for each in checks if each["code"] == "way_back.package")


def test_a_kept_package_of_the_running_version_opens_the_way_back(behind):
    assert outcomes(behind) == ["prepare", "prepare"]
    assert package_check(behind, 1)["remedy"] == "keep the package of 1.29"

    response = behind.keep(CONTENT)

    assert response.status_code == 201
    assert outcomes(behind) == ["clear", "clear"]
    assert (response.json["sha256"], response.json["size_bytes"]) == (SHA256, len(CONTENT))
    assert response.json["kept_by"] == "Ida Fenwick"


def test_a_package_of_another_version_or_model_does_not(behind):
    behind.keep(CONTENT, version="1.31")
    behind.keep(CONTENT, model="Folio 15")
    behind.keep(CONTENT, board_version="Z9")

    assert outcomes(behind) == ["prepare", "prepare"]
    assert files(behind) == [SHA256]


def test_a_board_dump_is_for_its_machine_and_never_for_another(behind):
    response = behind.keep(CONTENT, machine_id=2, source="read out by Tom Arden")

    assert response.json["machine_id"] == 2
    assert outcomes(behind) == ["prepare", "clear"]


def test_a_machine_that_joins_later_finds_the_package(site):
    site.know()

    site.machine(1)

    assert site.get("/machines/1").json["machine"]["outcome"] == "clear"


def test_combinations_without_a_package_are_one_list(behind):
    behind.machine(3, firmware={"version_text": "1.31"})
    behind.machine(4, firmware={"version_text": "Default string"})

    def missing():
        rows = behind.get("/packages/missing").json["combinations"]
        return [(each["version_text"], each["machines"]) for each in rows]

    assert missing() == [("1.29", 2), ("1.31", 1)]

    behind.keep(CONTENT)

    assert missing() == [("1.31", 1)]


def test_what_is_kept_comes_back_as_it_was_with_its_digest(site):
    site.keep(CONTENT, file_name='Folio "14".cap')

    response = site.get("/packages/1/file")

    # RFC 9530 §2 and §3: the digest of content and representation, here the same.
    expected = f"sha-256=:{base64.b64encode(bytes.fromhex(SHA256)).decode()}:"
    assert response.data == CONTENT
    assert response.headers["Repr-Digest"] == response.headers["Content-Digest"] == expected
    assert response.headers["Content-Length"] == str(len(CONTENT))
    assert response.headers["Content-Type"] == "application/octet-stream"
    assert response.headers["Content-Disposition"] == 'attachment; filename="Folio \\"14\\".cap"'
    assert site.get("/packages/7/file").status_code == 404


def test_keeping_the_same_again_changes_nothing(site):
    first, again = site.keep(CONTENT), site.keep(CONTENT)

    assert first.json["id"] == again.json["id"]
    assert len(site.get("/packages").json["packages"]) == 1


# ---- digests -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "stated",
    [
        SHA256,
        f"sha-256:{SHA256.upper()}",
        f"SHA256: {SHA256}",
        f"sha-512:{hashlib.sha512(CONTENT).hexdigest()}",
        f"sha1:{hashlib.sha1(CONTENT).hexdigest()}",
        hashlib.md5(CONTENT).hexdigest(),
    ],
)
def test_the_makers_published_digest_is_matched_and_recorded(site, stated):
    response = site.keep(CONTENT, published_digest=stated)

    assert response.status_code == 201
    assert response.json["published_digest"] == stated


@pytest.mark.parametrize(
    "said",
    [
        {"published_digest": "0" * 64},
        {"headers": {"Content-Digest": f"sha-256=:{base64.b64encode(bytes(32)).decode()}:"}},
        {"headers": {"Repr-Digest": f"sha-512=:{base64.b64encode(bytes(64)).decode()}:"}},
    ],
)
def test_a_digest_that_differs_is_refused_and_nothing_is_kept(behind, said):
    response = behind.keep(CONTENT, **said)

    assert response.status_code == 422
    assert "fetch it again from its maker" in response.json["detail"]
    assert files(behind) == []
    assert outcomes(behind) == ["prepare", "prepare"]


def test_a_request_that_states_the_right_digest_is_taken(site):
    digest = base64.b64encode(bytes.fromhex(SHA256)).decode()

    response = site.keep(CONTENT, headers={"Repr-Digest": f"sha-256=:{digest}:, md5=:AAAA:"})

    assert response.status_code == 201


# ---- what is refused ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "field"),
    [
        ({"version": "utterly unlike !"}, "version_text"),
        ({"model": "*"}, "models[0]"),
        ({"maker": "Default string"}, "machine_maker"),
        ({"published_digest": "abc"}, "published_digest"),
        ({"published_digest": f"sha-512:{SHA256}"}, "published_digest"),
        ({"source": " "}, "source"),
        ({"file_name": " "}, "file_name"),
        ({"file_name": "a\r\nX-Header: b"}, "file_name"),
        ({"machine_id": 7}, "machine_id"),
    ],
)
def test_what_is_said_of_a_file_is_judged_before_it_is_kept(site, said, field):
    response = site.keep(CONTENT, **said)

    assert response.status_code == 422
    assert [error["field"] for error in response.json["errors"]] == [field]
    assert files(site) == []


def test_an_empty_file_is_no_package(site):
    assert site.keep(b"").status_code == 422
    assert files(site) == []


def test_a_file_over_the_limit_is_refused_and_nothing_is_kept(tmp_path):
    folder = PackageFolder(tmp_path / "packages")
    pieces = [b"x" * 600, b"x" * 600]

    with pytest.raises(Exception, match="at most 1000 bytes"):
        folder.write(pieces, Limits(package_bytes=1000, spare_bytes=0))

    assert folder.unknown_files([]) == []


def test_a_disk_without_the_room_is_told_before_anything_is_written(tmp_path):
    folder = PackageFolder(tmp_path / "packages")

    with pytest.raises(NoSpaceError, match="bytes free in"):
        folder.write([CONTENT], Limits(package_bytes=1000, spare_bytes=2**62))

    assert folder.unknown_files([]) == []


@pytest.fixture
def small_files():
    """No file may grow beyond two million bytes: the system refuses as on a full disk."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2_000_000, before[1]))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, before)
    signal.signal(signal.SIGXFSZ, ignored)


def test_a_disk_that_fills_up_half_way_leaves_everything_as_it_was(behind, small_files):
    before = behind.keep(CONTENT).json

    response = behind.keep(b"y" * 2_900_000, version="1.31")

    assert response.status_code == 507
    assert "nothing was kept" in response.json["detail"]
    assert files(behind) == [SHA256]
    assert behind.get("/packages").json["packages"] == [before]


def test_a_file_whose_record_fails_is_removed_again(site, tmp_path):
    site.site.database.engine.dispose()
    with site.site.database.engine.connect() as connection:
        connection.exec_driver_sql("DROP TABLE statement_names")
        connection.commit()

    assert site.keep(CONTENT).status_code == 500
    assert files(site) == []


def test_a_folder_that_cannot_be_used_is_named(site, tmp_path):
    Path(site.site.config.packages).write_text("in the way", encoding="utf-8")

    response = site.keep(CONTENT)

    assert response.status_code == 500


# ---- what is no longer what it was ---------------------------------------------------------------


def place_of(site, sha256=SHA256):
    return PackageFolder(Path(site.site.config.packages)).place_of(sha256)


@pytest.mark.parametrize("change", ["other", "gone"])
def test_a_damaged_file_is_never_given_out_and_no_longer_counts(behind, change):
    behind.keep(CONTENT)
    place = place_of(behind)
    place.chmod(0o600)
    place.write_bytes(b"not the package") if change == "other" else place.unlink()

    response = behind.get("/packages/1/file")

    assert response.status_code == 410
    assert response.json["detail"].startswith("package #1 is damaged: ")
    assert outcomes(behind) == ["prepare", "prepare"]
    assert behind.get("/packages/1").json["damage"]

    behind.keep(CONTENT)  # again from its source

    assert outcomes(behind) == ["clear", "clear"]
    assert behind.get("/packages/1/file").data == CONTENT


def test_kept_files_are_for_the_server_alone(site):
    site.keep(CONTENT)
    place = place_of(site)

    assert place.stat().st_mode & 0o777 == 0o400
    assert place.parent.stat().st_mode & 0o777 == 0o700
