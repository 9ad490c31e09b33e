"""The plan that is kept: fetched when it changed, renewed when it did not, judged by offline."""

import json
import stat
from dataclasses import replace
from datetime import timedelta

import pytest

from flashworthy_agent.cli import main
from flashworthy_agent.errors import StateError
from flashworthy_agent.kept_plan import KeptPlan
from flashworthy_common.plan import Plan
from flashworthy_common.policy import DEFAULT_POLICY
from flashworthy_common.values import Unknown, to_json
from support.machines import NEED, NOW
from support.servers import serving
from support.trees import grow, supply

TREE = {
    "/sys/class/dmi/id/sys_vendor": "Quillmark\n",
    "/sys/class/dmi/id/product_name": "Folio 14\n",
    "/sys/class/dmi/id/product_serial": "AL-0042\n",
    "/sys/class/dmi/id/bios_version": "1.29\n",
    "/proc/sys/kernel/hostname": "reading-room-4\n",
    **supply("AC", type="Mains", online=1),
}
PLAN = Plan(
    machine="reading-room-4",
    place="Alder Lane",
    marked="",
    need=replace(NEED, review=None),
    policy=DEFAULT_POLICY,
    confirmations=(),
    clock_difference_seconds=Unknown("not told"),
    issued_at=NOW,
    expires_at=NOW + timedelta(hours=24),
)


def an_answer(digest="d1", plan=PLAN, look_for=("qm-bridge",)):
    return {"digest": digest, "look_for": list(look_for), "plan": to_json(plan)}


@pytest.fixture
def site():
    with serving() as server:
        server.plan = an_answer()
        yield server


@pytest.fixture
def state(tmp_path):
    return tmp_path / "state"


@pytest.fixture
def run(tmp_path, state, capsys, site):
    """Runs a command on the made-up machine, which is enrolled: its status, output, complaints."""
    root = grow(tmp_path / "root", TREE)

    def call(command, *arguments):
        status = main([command, "--root", str(root), "--state", str(state), *arguments])
        captured = capsys.readouterr()
        return status, captured.out, captured.err

    call("enrol", "--server", site.address, "--code", "ABC")
    return call


def paths_asked(site):
    return [request.path.rpartition("/")[2] for request in site.requests[1:]]


# ---- kept --------------------------------------------------------------------------------------


def test_the_plan_is_fetched_once_and_renewed_as_long_as_it_is_the_same(run, site, state):
    run("run")
    first = json.loads((state / "plan.json").read_bytes())["holds_from"]
    run("run")

    assert paths_asked(site) == ["reports", "plan", "reports"]
    assert json.loads((state / "plan.json").read_bytes())["holds_from"] >= first


def test_another_digest_makes_the_agent_fetch_the_plan_anew(run, site, state):
    run("run")
    site.plan = an_answer("d2", replace(PLAN, marked="patient monitor"))
    run("run")

    assert paths_asked(site) == ["reports", "plan", "reports", "plan"]
    assert KeptPlan(state).load().marked == "patient monitor"


def test_a_server_that_names_no_plan_is_not_asked_for_one(run, site, state):
    site.plan = None
    run("run")

    assert paths_asked(site) == ["reports"]
    assert not (state / "plan.json").exists()


def test_only_its_owner_can_read_the_plan(run, state):
    run("run")

    assert stat.S_IMODE((state / "plan.json").stat().st_mode) == 0o600


def test_a_plan_that_cannot_be_fetched_fails_no_delivery(run, site):
    site.plan = {"digest": "d1"}

    status, out, err = run("run")

    assert (status, out) == (0, "report 1 made, 1 sent, 0 waiting\n")
    assert err == (
        f"flashworthy-agent: the server's plan is not kept: {site.address} did not answer with "
        "a plan\n"
    )


@pytest.mark.parametrize("content", ["", "{", "[]", '{"plan": {}}', '{"plan": 7, "digest": 8}'])
def test_a_damaged_plan_is_none_and_is_fetched_again(run, site, state, content):
    run("run")
    (state / "plan.json").write_text(content)

    with pytest.raises(StateError, match="plan"):
        KeptPlan(state).load()
    run("run")

    assert paths_asked(site) == ["reports", "plan", "reports", "plan"]
    assert KeptPlan(state).load().machine == "reading-room-4"


def test_what_the_plan_asks_for_by_name_is_looked_for_in_the_next_report(run, site):
    run("run")
    run("run")

    first, second = (report["software"]["installed"] for report in site.reports())
    assert first == []
    assert [each["name"] for each in second] == ["qm-bridge"]


def test_a_plan_counts_from_the_last_contact_by_this_machines_clock(tmp_path):
    kept = KeptPlan(tmp_path)
    contact_at = NOW + timedelta(hours=5)

    kept.keep(an_answer(), contact_at, clock_ahead_seconds=400.4)
    plan = kept.load()

    assert (plan.issued_at, plan.expires_at) == (contact_at, contact_at + timedelta(hours=24))
    assert plan.clock_difference_seconds == -400


def test_a_server_that_does_not_tell_its_time_leaves_the_clock_unknown(tmp_path):
    kept = KeptPlan(tmp_path)
    kept.keep(an_answer(), NOW, clock_ahead_seconds=None)

    assert isinstance(kept.load().clock_difference_seconds, Unknown)


# ---- judged without the server -----------------------------------------------------------------


@pytest.fixture
def cut_off(run, site):
    """The same, after one contact, with a server that is busy from now on."""
    run("run")
    site.refusals = dict.fromkeys(range(2, 10), (503, "busy"))
    return run


def test_without_the_server_the_plan_decides_and_says_so(cut_off):
    status, out, err = cut_off("check")

    first, second = out.splitlines()[:2]
    assert first == (
        "without the server, by its plan of just now; what was recorded since is not known here: "
        "releases, reviews, confirmations, marks"
    )
    assert second.startswith("UNDECIDED reading-room-4    Alder Lane")
    assert status == 40
    assert "busy" in err


def test_a_mark_holds_without_the_server_too(cut_off, site, run):
    site.refusals = {}
    site.plan = an_answer("d2", replace(PLAN, marked="patient monitor"))
    run("run")
    site.refusals = {3: (503, "busy")}

    assert cut_off("check")[0] == 20


def test_an_expired_plan_is_never_clear(cut_off, state, monkeypatch):
    expired_at = KeptPlan(state).load().expires_at
    monkeypatch.setattr("flashworthy_agent.commands.check.utc_now", lambda: expired_at)

    status, out, _ = cut_off("check", "--all", "--json")

    answer = json.loads(out)
    (check,) = [each for each in answer["checks"] if each["code"] == "evidence.plan"]
    assert (check["answer"], check["remedy"]) == ("stop", "reach the server and look again")
    assert status != 0


def test_the_verdict_as_json_has_the_same_shape_without_the_server(cut_off):
    _, out, _ = cut_off("check", "--json")

    answer = json.loads(out)
    assert answer["outcome"] == "undecided"
    assert answer["sentence"].startswith("Somebody must look first")
    assert answer["priority"] == "out-of-cycle"


def test_without_a_plan_there_is_no_verdict_without_the_server(run, site):
    site.refusals = {1: (503, "busy")}

    status, out, err = run("check")

    assert (status, out) == (1, "")
    assert err.splitlines()[-1].endswith("no plan of the server is kept that could be read")
