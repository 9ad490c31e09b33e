"""What calls the agent on Windows and macOS: files that nobody ran on a real one here.

They are held against their documented forms: the order of elements and the values of the task's
schema (pages "triggerBaseType", "timeTriggerType", "bootTriggerType", "taskType", "settingsType"
Complex Type; [MS-TSCH] §2.5), the keys of launchd.plist(5), and parsers of the scripts' languages.
"""

import plistlib
import re
import shutil
import subprocess
from pathlib import Path
from xml.etree import ElementTree

import pytest
import tree_sitter
import tree_sitter_powershell

from flashworthy_agent.cli import parser
from flashworthy_agent.schedule import TIMER_SECONDS

DEPLOY = Path(__file__).parents[2] / "deploy/agent"
SPACE = "{http://schemas.microsoft.com/windows/2004/02/mit/task}"
BASE = ("Enabled", "StartBoundary", "EndBoundary", "Repetition", "ExecutionTimeLimit")
# xs:sequence: in this order. What is xs:all there may stand in any.
ORDERED = {
    "BootTrigger": (*BASE, "Delay"),
    "TimeTrigger": (*BASE, "RandomDelay"),
    "Exec": ("Command", "Arguments", "WorkingDirectory"),
}
ANY_ORDER = {
    "Task": {"RegistrationInfo", "Triggers", "Settings", "Data", "Principals", "Actions"},
    "RegistrationInfo": {"URI", "SecurityDescriptor", "Source", "Date", "Author", "Version",
                         "Description", "Documentation"},
    "Triggers": {"BootTrigger", "TimeTrigger"},
    "Repetition": {"Interval", "Duration", "StopAtDurationEnd"},
    "Principals": {"Principal"},
    "Principal": {"UserId", "LogonType", "GroupId", "DisplayName", "RunLevel"},
    "Settings": {"AllowStartOnDemand", "RestartOnFailure", "MultipleInstancesPolicy",
                 "DisallowStartIfOnBatteries", "StopIfGoingOnBatteries", "AllowHardTerminate",
                 "StartWhenAvailable", "NetworkProfileName", "RunOnlyIfNetworkAvailable",
                 "WakeToRun", "Enabled", "Hidden", "DeleteExpiredTaskAfter", "IdleSettings",
                 "NetworkSettings", "ExecutionTimeLimit", "Priority", "RunOnlyIfIdle"},
    "Actions": {"Exec"},
}  # fmt: skip
MOST_OF_A_TIMER_MINUTES = int(TIMER_SECONDS // 60)


@pytest.fixture
def task():
    return ElementTree.parse(DEPLOY / "windows/flashworthy-agent.xml").getroot()


@pytest.fixture
def job():
    return plistlib.loads((DEPLOY / "macos/flashworthy.agent.plist").read_bytes())


def name_of(element):
    assert element.tag.startswith(SPACE)
    return element.tag.removeprefix(SPACE)


def text_of(task, path):
    return task.findtext("/".join(SPACE + step for step in path.split("/")))


def options_of(arguments):
    """The command line as the agent itself reads it."""
    return parser().parse_args(arguments)


# ---- Windows ----------------------------------------------------------------------------------


def test_every_element_of_the_task_stands_where_the_schema_has_it(task):
    for element in task.iter():
        name, children = name_of(element), [name_of(child) for child in element]
        if name in ORDERED:
            assert children == [child for child in ORDERED[name] if child in children]
        elif children:
            assert set(children) <= ANY_ORDER[name]
            assert name == "Triggers" or len(set(children)) == len(children)


def test_the_task_runs_under_the_systems_own_account(task):
    # "Well-known SIDs": S-1-5-18 is LocalSystem
    assert text_of(task, "Principals/Principal/UserId") == "S-1-5-18"
    assert text_of(task, "Principals/Principal/RunLevel") == "HighestAvailable"
    principal = task.find(f"{SPACE}Principals/{SPACE}Principal")
    assert task.find(f"{SPACE}Actions").get("Context") == principal.get("id")


def test_the_task_calls_often_enough_and_with_a_random_delay(task):
    every = text_of(task, "Triggers/TimeTrigger/Repetition/Interval")

    assert int(re.fullmatch(r"PT(\d+)M", every)[1]) <= MOST_OF_A_TIMER_MINUTES
    assert text_of(task, "Triggers/TimeTrigger/RandomDelay") == every
    assert text_of(task, "Triggers/BootTrigger/Delay") == "PT1M"


def test_the_task_calls_what_the_agent_understands(task):
    arguments = text_of(task, "Actions/Exec/Arguments")
    isolated, agent, *rest = re.findall(r'"[^"]*"|\S+', arguments)

    assert (isolated, agent.strip('"').endswith(r"\flashworthy-agent.pyz")) == ("-I", True)
    assert options_of(rest).when_due


def test_batteries_and_missing_networks_do_not_hold_off_the_task(task):
    for name in ("DisallowStartIfOnBatteries", "StopIfGoingOnBatteries",
                 "RunOnlyIfNetworkAvailable", "WakeToRun"):  # fmt: skip
        assert text_of(task, f"Settings/{name}") == "false"
    assert text_of(task, "Settings/MultipleInstancesPolicy") == "IgnoreNew"


@pytest.mark.parametrize("script", ["install.ps1", "remove.ps1"])
def test_the_scripts_are_powershell(script):
    language = tree_sitter.Language(tree_sitter_powershell.language())

    tree = tree_sitter.Parser(language).parse((DEPLOY / "windows" / script).read_bytes())

    assert not tree.root_node.has_error


def test_the_scripts_name_the_task_and_its_folders_alike():
    install = (DEPLOY / "windows/install.ps1").read_text("ascii")
    remove = (DEPLOY / "windows/remove.ps1").read_text("ascii")

    for text in (install, remove):
        assert "-TaskName 'flashworthy-agent'" in text
        assert "Join-Path $env:ProgramFiles 'flashworthy-agent'" in text
    (call,) = re.findall(r'Exec\.Arguments = "-I `"\$installed`" (.*)"', install)
    assert options_of(call.split()).when_due


# ---- macOS ------------------------------------------------------------------------------------

# launchd.plist(5), and the type of each
LAUNCHD_KEYS = {"Label": str, "ProgramArguments": list, "RunAtLoad": bool, "StartInterval": int,
                "ProcessType": str, "LowPriorityIO": bool, "Nice": int, "Umask": int}  # fmt: skip


def test_the_job_has_only_keys_that_launchd_knows_each_of_its_type(job):
    assert {key: type(value) for key, value in job.items()} == LAUNCHD_KEYS
    assert job["ProcessType"] in {"Background", "Standard", "Adaptive", "Interactive"}
    assert job["Umask"] == 0o077


def test_the_job_calls_at_the_start_and_often_enough(job):
    assert job["RunAtLoad"] is True
    assert job["StartInterval"] <= TIMER_SECONDS


def test_the_job_calls_what_the_agent_understands(job):
    _, isolated, agent, *rest = job["ProgramArguments"]

    assert (isolated, agent.endswith("/program/flashworthy-agent.pyz")) == ("-I", True)
    assert options_of(rest).when_due


def test_the_scripts_and_the_job_agree_on_names(job):
    for script in ("install.sh", "remove.sh"):
        text = (DEPLOY / "macos" / script).read_text("ascii")
        (label,) = re.findall(r"^label=(\S+)$", text, re.MULTILINE)
        (folder,) = re.findall(r'^folder="([^"]+)"$', text, re.MULTILINE)
        assert label == job["Label"] == "flashworthy.agent"
        assert job["ProgramArguments"][2] == f"{folder}/program/flashworthy-agent.pyz"


@pytest.mark.parametrize("script", ["install.sh", "remove.sh"])
def test_the_scripts_are_shell(script):
    subprocess.run(["sh", "-n", DEPLOY / "macos" / script], check=True)


@pytest.mark.system
@pytest.mark.skipif(shutil.which("shellcheck") is None, reason="needs shellcheck")
def test_the_shell_scripts_pass_a_linter():
    scripts = sorted((DEPLOY / "macos").glob("*.sh"))

    done = subprocess.run(["shellcheck", *scripts], capture_output=True, text=True)

    assert done.stdout == ""


@pytest.mark.parametrize(
    "file", sorted(path for name in ("windows", "macos") for path in (DEPLOY / name).iterdir()),
    ids=lambda path: path.name,
)  # fmt: skip
def test_each_file_says_that_it_was_not_tried(file):
    assert re.search(r"Not\s+tried on a real (?:Windows|macOS) yet", file.read_text("utf-8"))
