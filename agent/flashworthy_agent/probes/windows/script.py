"""What has no direct interface is asked of PowerShell, all of it by one call of a fixed script.

- Nothing variable goes into the script, and there is no double quote in it, so that its words reach
  PowerShell as they stand here.
- Each question is answered by a line of JSON of its own, the quick ones first: one that fails tells
  why, and what was answered before the time was over counts.
- Nothing is changed, no key is asked for, and the searcher for updates is kept offline.

Sources, by page: "Win32_EncryptableVolume class", "MSFT_Partition class", "MSFT_PhysicalDisk
class", "Win32_Tpm class", "Win32_ComputerSystem class", and of the Windows Update Agent API
"IUpdateSearcher", "IUpdate", "IWindowsDriverUpdate", "IAutomaticUpdatesResults".
"""

import json
import os
from functools import lru_cache
from typing import Any

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.inputs import Answer
from flashworthy_agent.probes.kept_updates import kept_answer
from flashworthy_agent.probes.programs import Outcome
from flashworthy_common.values import Maybe, Unknown

LIMIT_SECONDS = 60.0
_PROGRAM = "System32/WindowsPowerShell/v1.0/powershell.exe"
_OPTIONS = ("-NoLogo", "-NoProfile", "-NonInteractive", "-Command")

_START = """
$ErrorActionPreference = 'Stop'
try { [Console]::OutputEncoding = New-Object System.Text.UTF8Encoding($false) } catch { }
function Tell([string]$question, [scriptblock]$look) {
    try { $answer = @{ question = $question; found = @(& $look) } }
    catch { $answer = @{ question = $question; failed = $_.Exception.Message } }
    ConvertTo-Json -InputObject $answer -Depth 6 -Compress
}
"""
_ALWAYS = """
function Ask($object, [string]$method, [hashtable]$arguments) {
    Invoke-CimMethod -InputObject $object -MethodName $method -Arguments $arguments
}
Tell 'computer' {
    $computer = Get-CimInstance -ClassName 'Win32_ComputerSystem'
    @{ hypervisor = $computer.HypervisorPresent }
}
Tell 'partitions' {
    Get-CimInstance -Namespace 'root/Microsoft/Windows/Storage' -ClassName 'MSFT_Partition' |
        Where-Object { $_.GptType } |
        ForEach-Object { @{ kind = $_.GptType; is_system = $_.IsSystem
                            paths = @($_.AccessPaths) } }
}
Tell 'drives' {
    Get-CimInstance -Namespace 'root/Microsoft/Windows/Storage' -ClassName 'MSFT_PhysicalDisk' |
        ForEach-Object { @{ name = $_.FriendlyName; firmware = $_.FirmwareVersion } }
}
Tell 'tpm' {
    Get-CimInstance -Namespace 'root/CIMV2/Security/MicrosoftTpm' -ClassName 'Win32_Tpm' |
        ForEach-Object { @{ maker = $_.ManufacturerIdTxt; standard = $_.SpecVersion
                            firmware = $_.ManufacturerVersion } }
}
Tell 'volumes' {
    $place = 'root/CIMV2/Security/MicrosoftVolumeEncryption'
    foreach ($volume in Get-CimInstance -Namespace $place -ClassName 'Win32_EncryptableVolume') {
        $ids = Ask $volume 'GetKeyProtectors' @{ KeyProtectorType = [uint32]0 }
        $protectors = foreach ($id in $ids.VolumeKeyProtectorID) {
            $kind = Ask $volume 'GetKeyProtectorType' @{ VolumeKeyProtectorID = $id }
            @{ id = $id; kind = $kind.KeyProtectorType }
        }
        $conversion = Ask $volume 'GetConversionStatus' @{ PrecisionFactor = [uint32]0 }
        $protection = Ask $volume 'GetProtectionStatus' @{ }
        try { $suspended = Ask $volume 'GetSuspendCount' @{ } }
        catch { $suspended = @{ ReturnValue = -1 } }
        @{ name = $volume.DriveLetter; device = $volume.DeviceID
           conversion = $conversion.ConversionStatus; protection = $protection.ProtectionStatus
           suspended = $suspended.SuspendCount; suspended_code = $suspended.ReturnValue
           protectors = @($protectors) }
    }
}
"""
_UPDATES = """
Tell 'updates' {
    $searcher = (New-Object -ComObject 'Microsoft.Update.Session').CreateUpdateSearcher()
    $searcher.Online = $false
    $found = $searcher.Search('IsInstalled=0 and IsHidden=0')
    $automatic = New-Object -ComObject 'Microsoft.Update.AutoUpdate'
    $searched = $automatic.Results.LastSearchSuccessDate
    if ($searched) { $searched = $searched.ToString('s') + 'Z' }
    $updates = foreach ($update in $found.Updates) {
        $categories = foreach ($category in $update.Categories) { $category.CategoryID }
        @{ title = $update.Title; severity = $update.MsrcSeverity; optional = $update.BrowseOnly
           kind = $update.Type; driver_class = $update.DriverClass; categories = @($categories) }
    }
    @{ result = $found.ResultCode; searched_at = $searched; updates = @($updates) }
}
"""

WITH_UPDATES, WITHOUT_UPDATES = "with updates", "without updates"
SCRIPTS = {WITH_UPDATES: _START + _ALWAYS + _UPDATES, WITHOUT_UPDATES: _START + _ALWAYS}


class Told:
    """What the script said, by question."""

    def __init__(self, answers: dict[str, Maybe[list[dict[str, Any]]]], otherwise: str) -> None:
        self._answers, self._otherwise = answers, otherwise

    def of(self, question: str) -> Maybe[list[dict[str, Any]]]:
        """The items of an answer, or why there is none."""
        return self._answers.get(question, Unknown(self._otherwise))


@lru_cache(maxsize=1)
def told_of(access: Access) -> Told:
    """Asked once for all probes of one look; for updates only where no kept answer will do."""
    name = WITH_UPDATES if kept_answer(access, lambda asked_at: True) is None else WITHOUT_UPDATES
    try:
        status, output, complaint = access.inputs.ask("script", name, seconds=LIMIT_SECONDS)
    except OSError as error:
        return Told({}, f"PowerShell cannot be run: {error.strerror}")
    text = output.decode("utf-8", "replace")
    if status is None:
        return Told(parse_answers(text), f"PowerShell took longer than {LIMIT_SECONDS:.0f} seconds")
    ended = Outcome(status, text, complaint.decode("utf-8", "replace"))
    return Told(parse_answers(text), ended.failure("PowerShell").because)


def run_script(name: str, *, seconds: float) -> Answer:
    """Run one of `SCRIPTS` on this machine: status, output and complaint."""
    from flashworthy_agent.probes.live import run  # late: a replay runs nothing

    program = f"{os.environ.get('SYSTEMROOT', 'C:/Windows')}/{_PROGRAM}"
    return run(program, *_OPTIONS, SCRIPTS[name], seconds=seconds)


def parse_answers(text: str) -> dict[str, Maybe[list[dict[str, Any]]]]:
    """The lines that are answers, by their question; what is no such line is passed over."""
    answers: dict[str, Maybe[list[dict[str, Any]]]] = {}
    for line in text.splitlines():
        try:
            answer = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if isinstance(answer, dict) and isinstance(answer.get("question"), str):
            answers[answer["question"]] = _items(answer)
    return answers


def _items(answer: dict[str, Any]) -> Maybe[list[dict[str, Any]]]:
    if "failed" in answer:
        return Unknown(f"Windows does not tell: {str(answer['failed']).strip()[:200]}")
    found = answer.get("found")
    if isinstance(found, list) and all(isinstance(item, dict) for item in found):
        return found
    return Unknown(f"expected a list of what was found, got {found!r:.80}")


def text_in(item: dict[str, Any], name: str) -> Maybe[str]:
    """A text of an item that is not blank, or why there is none."""
    value = item.get(name)
    if isinstance(value, str) and value.strip():
        return value.strip()[:200]
    return Unknown(f"Windows tells no {name.replace('_', ' ')}")


def number_in(item: dict[str, Any], name: str) -> Maybe[int]:
    value = item.get(name)
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    return Unknown(f"Windows tells no {name.replace('_', ' ')}")


def texts_in(item: dict[str, Any], name: str) -> list[str]:
    values = item.get(name)
    return [one for one in values if isinstance(one, str)] if isinstance(values, list) else []


def items_in(item: dict[str, Any], name: str) -> list[dict[str, Any]]:
    values = item.get(name)
    return [one for one in values if isinstance(one, dict)] if isinstance(values, list) else []
