"""What a UPS server says, and what it never is asked. Answers after RFC 9271 §4 and its Table 4."""

import random
import socket

import pytest

from flashworthy_agent.errors import UpsAddressError, UpsError
from flashworthy_agent.probes import ups as probe
from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.files import ANOTHER_ROOT
from flashworthy_agent.probes.inputs import FilesBelow
from flashworthy_agent.probes.linux.power import look_at_configured_ups as look_at_ups
from flashworthy_agent.probes.linux.ups import shuts_this_down
from flashworthy_agent.probes.live import RunningSystem
from flashworthy_agent.probes.ups import (
    UpsAddress,
    parse_address,
    read_list,
    read_variables,
    split_words,
)
from flashworthy_common.report import Ups
from flashworthy_common.values import Unknown
from support.trees import LiveTree, NoPrograms, files_below, grow
from support.ups_servers import answering, listed

KNOWN = {"LIST UPS": listed("UPS", 'UPS desk "the \\"desk\\""', 'UPS rack "Cellwright"')}


def variables(**told):
    lines = (f'VAR desk {name.replace("_", ".")} "{value}"' for name, value in told.items())
    return KNOWN | {"LIST VAR desk": listed("VAR desk", *lines)}


def seen(root, answers):
    """The one configured UPS as its section tells it, and what its server was asked."""
    with answering(answers) as server:
        access = Access(LiveTree(root), NoPrograms(), ups=(server.address("desk"),))
        (found,) = look_at_ups(access).ups
    return found, server.asked


# ---- addresses --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "address", "written"),
    [
        # RFC 9271 §7: port 3493
        ("desk@ups.example", UpsAddress("desk", "ups.example", 3493), "desk@ups.example"),
        ("desk@192.0.2.7:4000", UpsAddress("desk", "192.0.2.7", 4000), "desk@192.0.2.7:4000"),
        ("desk@[2001:db8::7]:4000", UpsAddress("desk", "2001:db8::7", 4000),
         "desk@[2001:db8::7]:4000"),
        (" desk@localhost\n", UpsAddress("desk", "localhost", 3493), "desk@localhost"),
    ],
)  # fmt: skip
def test_an_address_names_a_ups_and_its_server(text, address, written):
    assert parse_address(text) == address
    assert str(address) == written


@pytest.mark.parametrize(
    "text",
    ["", "desk", "@ups.example", "desk@", "desk@a:b", "desk@a:0", "desk@a:65536",
     "desk@2001:db8::7", "two words@a", "desk\nFSD desk@a", 'de"sk@a', "desk@a:3493:1"],
)  # fmt: skip
def test_what_names_no_ups_is_refused(text):
    with pytest.raises(UpsAddressError, match="expected NAME@HOST or NAME@HOST:PORT of a UPS, got"):
        parse_address(text)


# ---- what it tells ----------------------------------------------------------------------------


def test_a_ups_is_told_in_its_own_words_and_plain_units(tmp_path):
    answers = variables(ups_status="OL CHRG", battery_charge="085.5", battery_runtime="1080",
                        ups_load="23.4")  # fmt: skip

    found, asked = seen(tmp_path, answers)

    assert found == Ups(
        name=found.name,
        status_text="OL CHRG",
        charge_percent=85.5,  # §4.4: numbers may be padded with zeros
        runtime_seconds=1080,  # battery.runtime is in seconds: 18 minutes
        load_percent=23.4,
        shuts_this_down=Unknown(
            "no upsmon runs here; whether another program obeys it cannot be seen"
        ),
    )
    assert found.name.startswith("desk@127.0.0.1:")
    assert asked == ["LIST UPS", "LIST VAR desk"]  # and never INSTCMD, FSD or SET


@pytest.mark.parametrize(
    "words",
    ["OL", "OL BOOST", "OB LB", "OL RB", "FSD OL", "WAIT", "CHRG", "NOCOMM", "OL NEW-WORD"],
)
def test_status_words_are_passed_on_known_or_not(tmp_path, words):
    assert seen(tmp_path, variables(ups_status=words))[0].status_text == words


@pytest.mark.parametrize(
    ("told", "field", "expected"),
    [
        # §8.2.1: a desktop's UPS need not tell its runtime
        ({}, "runtime_seconds", Unknown("the UPS does not tell battery.runtime")),
        ({"battery_runtime": ""}, "runtime_seconds",
         Unknown("the UPS does not tell battery.runtime")),
        ({"ups_status": " "}, "status_text", Unknown("the UPS does not tell ups.status")),
        ({"battery_charge": "<85"}, "charge_percent",
         Unknown("expected a number from 0 to 100 for battery.charge, got '<85'")),
        ({"battery_charge": "255"}, "charge_percent",
         Unknown("expected a number from 0 to 100 for battery.charge, got '255'")),
        ({"battery_charge": "1e1"}, "charge_percent",
         Unknown("expected a number from 0 to 100 for battery.charge, got '1e1'")),
        ({"battery_charge": "-1"}, "charge_percent",
         Unknown("expected a number from 0 to 100 for battery.charge, got '-1'")),
        ({"ups_load": "104.0"}, "load_percent", 104.0),  # overloaded
        ({"battery_runtime": "90.5"}, "runtime_seconds", 90),
        ({"battery_runtime": "9" * 400}, "runtime_seconds",
         Unknown("expected a number from 0 to 1.09951e+12 for battery.runtime, got "
                 f"'{'9' * 40}'")),
    ],
)  # fmt: skip
def test_what_it_does_not_tell_is_unknown(tmp_path, told, field, expected):
    assert getattr(seen(tmp_path, variables(**told))[0], field) == expected


@pytest.mark.parametrize(
    ("answers", "because"),
    [
        # §4.3: errors
        (KNOWN | {"LIST VAR desk": "ERR DATA-STALE\n"},
         "the UPS server answers DATA-STALE: its driver no longer hears from the UPS"),
        (KNOWN | {"LIST VAR desk": "ERR DRIVER-NOT-CONNECTED\n"},
         "the UPS server answers DRIVER-NOT-CONNECTED: the driver of the UPS does not run"),
        ({"LIST UPS": "ERR ACCESS-DENIED\n"},
         "the UPS server answers ACCESS-DENIED: it does not answer this machine"),
        ({"LIST UPS": "ERR TLS-ALREADY-ENABLED more\r\n"},
         "the UPS server answers TLS-ALREADY-ENABLED"),
        ({"LIST UPS": "ERR \n"}, "the UPS server answers "),
        ({"LIST UPS": listed("UPS", 'UPS rack ""', "UPS", 'UPS lab ""')},
         "the UPS server has no desk, only: rack, lab"),
        ({"LIST UPS": "HTTP/1.1 400 Bad Request\r\n"},
         "expected BEGIN LIST UPS from the UPS server, got 'HTTP/1.1 400 Bad Request'"),
        (KNOWN | {"LIST VAR desk": listed("VAR rack")},
         "expected BEGIN LIST VAR desk from the UPS server, got 'BEGIN LIST VAR rack'"),
        (KNOWN | {"LIST VAR desk": b"BEGIN LIST VAR desk\n" + b"VAR desk a \"b\"\n" * 20_000},
         "the UPS server's answer ends in the middle, or has more than 262144 bytes"),
    ],
)  # fmt: skip
def test_no_answer_is_a_reason(tmp_path, answers, because):
    found, _ = seen(tmp_path, answers)

    assert found.status_text == found.charge_percent == found.load_percent == Unknown(because)


def test_a_server_that_hangs_up_in_mid_answer_is_a_reason():
    with pytest.raises(
        UpsError, match="the UPS server's answer ends in the middle, or has more than 262144 bytes"
    ):
        read_list(iter(["BEGIN LIST UPS", 'UPS desk ""']), "UPS")


def test_a_server_that_says_nothing_is_not_waited_for_long():
    with (
        answering({"LIST UPS": ""}) as server,
        pytest.raises(UpsError, match=r"no whole answer within 0\.05 seconds"),
    ):
        read_variables(RunningSystem(), server.address("desk"), 0.05)


def test_a_server_that_is_not_there_is_a_reason():
    with socket.socket() as taken:  # bound, but not listening
        taken.bind(("127.0.0.1", 0))
        address = UpsAddress("desk", "127.0.0.1", taken.getsockname()[1])
        with pytest.raises(UpsError, match="the UPS server cannot be reached: Connection refused"):
            read_variables(RunningSystem(), address, 2.0)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('VAR desk ups.mfr "Cell \\"W\\" \\\\ right"',
         ["VAR", "desk", "ups.mfr", 'Cell "W" \\ right']),
        ('VAR desk ups.mfr ""', ["VAR", "desk", "ups.mfr", ""]),
        ('VAR desk "never closed', ["VAR", "desk", "never", "closed"]),
        ("", []),
    ],
)  # fmt: skip
def test_quotes_inside_values_are_taken_off_as_they_were_put_on(line, words):
    assert split_words(line) == words


# ---- which one --------------------------------------------------------------------------------


def test_each_configured_ups_is_asked(tmp_path):
    with answering(variables(ups_status="OL")) as server:
        addresses = server.address("desk"), server.address("shelf")
        found = look_at_ups(Access(LiveTree(tmp_path), NoPrograms(), ups=addresses)).ups

    assert found[0].status_text == "OL"
    assert found[1].status_text == Unknown("the UPS server has no shelf, only: desk, rack")


def test_none_is_asked_where_none_is_configured(tmp_path):
    found = look_at_ups(Access(LiveTree(tmp_path), NoPrograms())).ups

    assert found == Unknown("no UPS is configured")


def test_the_ups_of_another_root_is_not_asked(tmp_path):
    address = UpsAddress("desk", "127.0.0.1", 9)

    assert (
        look_at_ups(Access(FilesBelow(tmp_path), NoPrograms(), ups=(address,))).ups == ANOTHER_ROOT
    )


# ---- who obeys it -----------------------------------------------------------------------------

RUNS = {"/run/nut/upsmon.pid": "77\n", "/proc/77/comm": "upsmon\n"}
DESK = UpsAddress("desk", "localhost")


def monitors(*systems):
    lines = "".join(f"MONITOR {system} mira secret secondary\n" for system in systems)
    return {"/etc/nut/upsmon.conf": f"# MONITOR desk@localhost 1 a b primary\n\n{lines}"}


@pytest.mark.parametrize(
    ("trees", "expected"),
    [
        ([RUNS, monitors("desk@localhost 1")], True),
        ([RUNS, monitors("desk 1")], True),  # upsmon.conf(5): this machine where none is named
        ([RUNS, monitors("desk@127.0.0.1:3493 2")], True),
        ([RUNS, monitors("rack@ups.example 1", "desk@localhost 1")], True),
        ([RUNS, monitors("desk@localhost 0")], False),  # upsmon.conf(5): 0 only watches
        ([RUNS, monitors("rack@localhost 1")], False),
        ([RUNS, monitors("what is this 1")], False),
        ([RUNS, {"/etc/nut/upsmon.conf": "MONITOR\n"}], False),
        ([RUNS, {"/etc/ups/upsmon.conf": "MONITOR desk@localhost 1 a b primary\n"}], True),
        ([RUNS, monitors("desk@ups.example 1")],
         Unknown("upsmon obeys desk@ups.example: the same under another name?")),
        ([RUNS], Unknown("not there: /etc/nut/upsmon.conf")),
        # a number that another program has by now
        ([RUNS, {"/proc/77/comm": "bash\n"}, monitors("desk@localhost 1")],
         Unknown("no upsmon runs here; whether another program obeys it cannot be seen")),
    ],
)  # fmt: skip
def test_whether_it_can_shut_this_machine_down_is_read_from_who_obeys_it(tmp_path, trees, expected):
    for tree in trees:
        grow(tmp_path, tree)

    assert shuts_this_down(files_below(tmp_path), DESK) == expected


# ---- whatever it says -------------------------------------------------------------------------


def mutated(chance, text):
    octets = bytearray(text.encode())
    for _ in range(chance.randint(1, 8)):
        place = chance.randrange(len(octets))
        match chance.randrange(4):
            case 0:
                octets[place] = chance.randrange(256)
            case 1:
                del octets[place : place + chance.randint(1, 20)]
            case 2:
                octets[place:place] = octets[: chance.randint(1, 20)]
            case 3:
                octets[place:place] = chance.choice([b"\n", b'"', b"\\", b"ERR ", b"\0", b"\xe9"])
        octets = octets or bytearray(b"x")
    return bytes(octets)


def read_mutated_answers(count):
    chance = random.Random(9271)
    answers = (*KNOWN.values(), variables(ups_status="OL", battery_charge="85")["LIST VAR desk"])
    for _ in range(count):
        text = mutated(chance, chance.choice(answers)).decode("utf-8", "replace")
        what = chance.choice(("UPS", "VAR desk"))
        try:
            lines = read_list(iter(text.split("\n")), what)
        except UpsError:
            continue
        for words in lines:
            found = probe._number({"battery.charge": "".join(words[-1:])}, "battery.charge", 100)
            assert isinstance(found, Unknown) or 0 <= found <= 100


def test_a_mutated_answer_raises_nothing_but_its_own_error():
    read_mutated_answers(3_000)


@pytest.mark.long
def test_a_hundred_thousand_mutated_answers_raise_nothing_but_their_own_error():
    read_mutated_answers(100_000)
