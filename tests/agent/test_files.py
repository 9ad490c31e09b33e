"""Reading below a root: reasons are told apart, and nothing leads out of it."""

import errno
import os
from datetime import UTC, datetime

import pytest

from flashworthy_agent.probes.files import ANOTHER_ROOT, Files
from flashworthy_agent.probes.inputs import MAX_FILE_BYTES, FilesBelow
from flashworthy_agent.probes.live import RunningSystem
from flashworthy_common.values import Unknown
from support.trees import files_below, grow


class FailingFiles(FilesBelow):
    """Fails on reading as a kernel may; needed because root is denied nothing."""

    def __init__(self, root, number):
        super().__init__(root)
        self._number = number

    def _read(self, path):
        raise OSError(self._number, os.strerror(self._number))


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"K1.29\n", "K1.29"),
        (b"  K1.29  \n", "K1.29"),
        (b"Soci\xe9t\xe9\n", "Soci\ufffdt\ufffd"),  # the kernel passes raw bytes
        ("Überprüft\n".encode(), "Überprüft"),
        (b"To Be Filled By O.E.M.\n", "To Be Filled By O.E.M."),  # verbatim: judged elsewhere
        (b"", Unknown("blank: /a")),
        (b"   \n", Unknown("blank: /a")),
        (b"x" * 2001, Unknown("longer than 2000 characters: /a")),
    ],
)
def test_a_text_is_what_the_file_says_or_why_there_is_none(tmp_path, content, expected):
    files = files_below(grow(tmp_path, {"/a": content}))

    assert files.text("/a") == expected


@pytest.mark.parametrize(
    ("number", "reason"),
    [
        (errno.ENOENT, "not there: /a"),
        (errno.EACCES, "permission denied: /a; run as root"),
        (errno.EPERM, "permission denied: /a; run as root"),
        (errno.ENODEV, "the device went away: /a"),
        (errno.EIO, "cannot be read: /a: Input/output error"),
    ],
)
def test_denied_missing_and_broken_are_different_reasons(tmp_path, number, reason):
    files = Files(FailingFiles(tmp_path, number))

    assert files.text("/a") == Unknown(reason)


@pytest.mark.skipif(os.geteuid() == 0, reason="root is denied nothing")
def test_a_file_without_permission_says_so(tmp_path):
    files = files_below(grow(tmp_path, {"/a": "secret"}))
    (tmp_path / "a").chmod(0)

    assert files.text("/a") == Unknown("permission denied: /a; run as root")


def test_a_missing_file_or_folder_says_so(tmp_path):
    files = files_below(tmp_path)

    assert files.text("/sys/nothing") == Unknown("not there: /sys/nothing")
    assert files.names("/sys") == Unknown("not there: /sys")
    assert files.modified_at("/sys") == Unknown("not there: /sys")
    assert files.is_absent("/sys")


def test_a_folder_where_a_file_is_expected_is_a_reason(tmp_path):
    (tmp_path / "a").mkdir()

    assert files_below(tmp_path).content("/a") == Unknown("cannot be read: /a: not a regular file")


def test_a_pipe_where_a_file_is_expected_does_not_block(tmp_path):
    os.mkfifo(tmp_path / "a")

    assert files_below(tmp_path).content("/a") == Unknown("cannot be read: /a: not a regular file")


def test_a_huge_file_is_refused(tmp_path):
    files = files_below(grow(tmp_path, {"/a": bytes(MAX_FILE_BYTES + 1)}))

    assert files.content("/a") == Unknown(f"cannot be read: /a: larger than {MAX_FILE_BYTES} bytes")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("12\n", 12),
        ("-5\n", -5),
        ("0x1f\n", Unknown("expected a whole number in /a, got '0x1f'")),
        ("", Unknown("blank: /a")),
    ],
)
def test_a_number_is_decimal_or_a_reason(tmp_path, text, expected):
    assert files_below(grow(tmp_path, {"/a": text})).number("/a") == expected


@pytest.mark.parametrize(
    ("link", "target"),
    [
        ("/etc/os-release", "/usr/lib/os-release"),  # absolute: within the root
        ("/etc/os-release", "../usr/lib/os-release"),
        ("/etc/os-release", "../../../../usr/lib/os-release"),  # .. at the root stays there
    ],
)
def test_a_link_is_followed_within_the_root(tmp_path, link, target):
    grow(tmp_path / "root", {"/usr/lib/os-release": "inside"})
    grow(tmp_path, {"/usr/lib/os-release": "outside"})
    place = tmp_path / "root" / link.lstrip("/")
    place.parent.mkdir(parents=True)
    place.symlink_to(target)

    assert files_below(tmp_path / "root").text(link) == "inside"


def test_no_link_leads_out_of_the_root(tmp_path):
    grow(tmp_path, {"/secret": "outside"})
    root = tmp_path / "root"
    root.mkdir()
    (root / "absolute").symlink_to(tmp_path / "secret")
    (root / "folder").symlink_to(tmp_path)
    files = files_below(root)

    assert files.text("/absolute") == Unknown("not there: /absolute")
    assert files.text("/folder/secret") == Unknown("not there: /folder/secret")
    assert files.text("/../secret") == Unknown("not there: /../secret")
    assert files.names("/folder") == Unknown("not there: /folder")


def test_links_in_a_circle_end(tmp_path):
    (tmp_path / "a").symlink_to("b")
    (tmp_path / "b").symlink_to("a")

    assert files_below(tmp_path).text("/a") == Unknown(
        "cannot be read: /a: Too many levels of symbolic links"
    )


def test_names_are_sorted_and_times_are_utc(tmp_path):
    files = files_below(grow(tmp_path, {"/d/b": "", "/d/a": ""}))

    assert files.names("/d") == ("a", "b")
    os.utime(tmp_path / "d", (100, 200))
    assert files.accessed_at("/d") == datetime.fromtimestamp(100, UTC)
    assert files.modified_at("/d") == datetime.fromtimestamp(200, UTC)


def test_free_space_is_asked_of_the_running_system_only(tmp_path):
    space = os.statvfs("/")

    live = Files(RunningSystem()).free_bytes("/")
    other = files_below(tmp_path).free_bytes("/")

    assert isinstance(live, int)
    assert 0 <= live <= space.f_blocks * space.f_frsize
    assert other == ANOTHER_ROOT
