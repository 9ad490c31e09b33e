"""One machine's way from the first report to the closed flash, with the real agent and server.

Before: nobody has looked, then somebody has. On the spot: on battery, plugged in, and once more
without the network. After: the machine comes back, and its own report closes the record. The
agent reads a made-up machine.
"""

import itertools
import json
from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner

from flashworthy_agent.cli import main as agent_main
from flashworthy_server.cli import main as server_main
from support.real_server import RealServer
from support.servers import free_port
from support.trees import grow, supply

ON_BATTERY = {
    **supply("AC", type="Mains", online=0),
    **supply(
        "BAT0",
        type="Battery",
        present=1,
        status="Discharging",
        capacity=82,
        energy_full=45_000_000,  # µWh, as the kernel's power_supply ABI has it
        energy_full_design=50_000_000,
        energy_now=36_900_000,
    ),
}
PLUGGED_IN = {**supply("AC", online=1), **supply("BAT0", status="Charging")}
FLASHED = {
    "/sys/class/dmi/id/bios_version": "1.34\n",
    "/proc/uptime": "60.00 50.00\n",
}
NUMBERS = itertools.count(14)


def a_machine(name, model, serial):
    return {
        "/sys/class/dmi/id/sys_vendor": "Quillmark\n",
        "/sys/class/dmi/id/product_name": f"{model}\n",
        "/sys/class/dmi/id/product_serial": f"{serial}\n",
        "/sys/class/dmi/id/chassis_type": "9\n",  # laptop, DSP0134 §7.4.1
        "/sys/class/dmi/id/bios_vendor": "Brightloom\n",
        "/sys/class/dmi/id/bios_version": "1.29\n",
        "/sys/class/dmi/id/bios_date": "05/04/2023\n",
        "/proc/sys/kernel/hostname": f"{name}\n",
        "/proc/uptime": "86400.00 80000.00\n",
        **ON_BATTERY,
    }


def knowledge(model, **facts):
    """That 1.34 closes a hole, and that somebody read so three days ago."""
    today = datetime.now(UTC)
    release = {
        "machine_maker": "Quillmark",
        "models": [model],
        "version_text": "1.34",
        "released_on": f"{today - timedelta(days=60):%Y-%m-%d}",
        "reasons": [
            {
                "kind": "security",
                "priority": "out-of-cycle",
                "says": "closes a hole that is being exploited",
                "source": "https://quillmark.example/notes",
            }
        ],
        "ways": ["inside-os"],
        "minutes": 25,
        "restarts": 1,
        "can_go_back": True,
    }
    review = {
        "machine_maker": "Quillmark",
        "models": [model],
        "reviewed_at": f"{today - timedelta(days=3):%Y-%m-%dT%H:%M:%SZ}",
        "reviewed_by": "Ida Fenwick",
        "source": "https://quillmark.example",
        "newest_version_text": "1.34",
    }
    return {"releases": [release | facts], "reviews": [review]}


class Story:
    """One machine of a model of its own, its agent, and whoever sits at the server's terminal."""

    def __init__(self, folder, real, capsys, monkeypatch):
        number = next(NUMBERS)
        self.name, self.model = f"reading-room-{number}", f"Folio {number}"
        self.folder, self._real = folder, real
        self._capsys, self._monkeypatch = capsys, monkeypatch
        self.happens(a_machine(self.name, self.model, f"QM-{number:04}"))
        code, *_ = self.desk("code", "new", "--uses", "1").split()
        self.agent("enrol", "--server", real.address, "--code", code)
        self.agent("run")

    def happens(self, files):
        grow(self.folder / "root", files)

    def agent(self, command, *words, state="state"):
        where = ("--root", str(self.folder / "root"), "--state", str(self.folder / state))
        status = agent_main([command, *where, *words])
        return status, self._capsys.readouterr().out

    def agent_without_network(self, command):
        with self._monkeypatch.context() as cut_off:
            cut_off.setenv("FLASHWORTHY_SERVER", f"http://127.0.0.1:{free_port()}")
            return self.agent(command)

    def desk(self, *words):
        environment = {"FLASHWORTHY_DATABASE": self._real.database_url}
        result = CliRunner().invoke(server_main, words, env=environment)
        assert result.exit_code == 0, result.output
        return result.output

    def learns(self, **facts):
        path = self.folder / "releases.json"
        path.write_text(json.dumps(knowledge(self.model, **facts)), encoding="utf-8")
        self.desk("releases", "import", str(path))

    @property
    def row(self):
        (found,) = json.loads(self.desk("machines", "--text", self.name, "--json"))
        return found


@pytest.fixture(scope="module")
def real(tmp_path_factory):
    with RealServer(tmp_path_factory.mktemp("server")) as server:
        yield server


@pytest.fixture
def story(tmp_path, real, capsys, monkeypatch):
    monkeypatch.setenv("LOGNAME", "ida")
    monkeypatch.delenv("SUDO_USER", raising=False)
    return Story(tmp_path, real, capsys, monkeypatch)


def first_line(text):
    return text.splitlines()[0].split()[:2]


def test_before_on_the_spot_and_after(story):
    # Nobody has looked yet: that is not the same as no reason.
    assert first_line(story.desk("verdict", story.name)) == ["UNDECIDED", story.name]

    # Somebody reads the maker's page, once for every machine of the model.
    story.learns()
    before = story.desk("verdict", story.name)
    assert first_line(before) == ["PREPARE", story.name]
    assert "Plug in the adapter" in before
    assert "25 minutes, one restart." in before

    # On the spot it is still on battery: a stop, however much is left in it.
    status, told = story.agent("check")
    assert (status, first_line(told)) == (20, ["HOLD", story.name])
    assert "mains power: on battery at 82 %" in told

    # Plugged in, what is left is to be looked at by whoever stands there.
    story.happens(PLUGGED_IN)
    status, told = story.agent("check")
    assert (status, first_line(told)) == (10, ["PREPARE", story.name])
    assert "mains power" not in told

    # Without the network, the plan of a minute ago gives the same answer, and says so.
    offline_status, offline = story.agent_without_network("check")
    by_plan, _, verdict = offline.partition("\n")
    assert by_plan.startswith("without the server, by its plan of ")
    assert (offline_status, first_line(verdict)) == (10, ["PREPARE", story.name])

    # The flash is recorded; the maker's own program does it.
    assert "1.29 -> 1.34, expected back by" in story.desk("flash", "start", story.name)

    # The machine comes back, and its own report closes the record.
    story.happens(FLASHED)
    assert story.agent("run", "--why", "start-up") == (0, "report 5 made, 2 sent, 0 waiting\n")
    (flash,) = json.loads(story.desk("flash", "list", story.name, "--json"))
    assert (flash["by"], flash["result"], flash["says"]) == ("ida", "done", "from 1.29 to 1.34")
    assert first_line(story.desk("verdict", story.name)) == ["LEAVE", story.name]
    assert story.row["attention"] == []


def test_a_version_that_changed_without_a_flash_asks_for_attention(story):
    story.happens(FLASHED)

    story.agent("run", "--why", "start-up")

    assert (story.row["version_text"], story.row["attention"]) == ("1.34", ["changed"])


def test_a_server_that_serves_judges_in_the_background(real):
    assert real.works_in_the_background()


def test_what_a_person_confirms_counts_on_the_spot_with_and_without_a_network(story):
    story.learns(resets_settings=True)
    story.happens(PLUGGED_IN)
    unwritten = story.agent("check")

    story.desk("confirmations", "add", story.name, "settings-written-down")
    written, offline = story.agent("check"), story.agent_without_network("check")

    assert (unwritten[0], written[0], offline[0]) == (20, 10, 10)
    assert "settings: 1.34 resets them" in unwritten[1]


def test_a_pc_without_a_network_is_served_by_a_carried_file_and_by_a_persons_word(story):
    story.learns()
    story.happens(a_machine("cellar-pc", story.model, "QM-9901"))
    file = str(story.folder / "cellar.json")
    story.agent("collect", "--out", file, state="other")

    story.desk("reports", "import", file)
    said = ("--maker", "Quillmark", "--model", story.model, "--runs", "1.29")
    saw = ("--kind", "portable", "--no-mains", "--battery-percent", "82")
    story.desk("machine", "enter", "attic-pc", *said, *saw)

    carried, entered = story.desk("verdict", "cellar-pc"), story.desk("verdict", "attic-pc")
    assert first_line(carried) == ["PREPARE", "cellar-pc"]
    assert first_line(entered) == ["PREPARE", "attic-pc"]
    for told in (carried, entered):
        assert "mains power: on battery at 82 %" in told
    assert "ida did not say" in entered
