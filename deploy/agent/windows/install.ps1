<#
.SYNOPSIS
Installs the Flashworthy agent and its scheduled task. Not tried on a real Windows yet.

.DESCRIPTION
Copies flashworthy-agent.pyz, which lies beside this script or is named, to the programs' folder and
registers the task flashworthy-agent under the system's own account. Run it as an administrator.

.PARAMETER Python
The python.exe of a Python 3.11 or later that is installed for all users. Whatever the task starts
has all rights of the system, so that only administrators may be able to change it.

.EXAMPLE
.\install.ps1 -Python 'C:\Program Files\Python311\python.exe'
#>
[CmdletBinding()]
param(
    [Parameter(Mandatory = $true)] [string] $Python,
    [string] $Agent = (Join-Path $PSScriptRoot 'flashworthy-agent.pyz')
)
Set-StrictMode -Version 2
$ErrorActionPreference = 'Stop'

$identity = [Security.Principal.WindowsIdentity]::GetCurrent()
$role = [Security.Principal.WindowsBuiltInRole]::Administrator
if (-not ([Security.Principal.WindowsPrincipal] $identity).IsInRole($role)) {
    throw 'Run this as an administrator.'
}
$Python = (Resolve-Path -LiteralPath $Python).ProviderPath
if (-not $Python.StartsWith("$env:ProgramFiles\", [StringComparison]::OrdinalIgnoreCase)) {
    throw "Expected a Python below $env:ProgramFiles, installed for all users, got $Python."
}
& $Python -I -c 'import sys; sys.exit(sys.version_info < (3, 11))'
if ($LASTEXITCODE -ne 0) {
    throw "Expected Python 3.11 or later, got another: $Python."
}

$folder = Join-Path $env:ProgramFiles 'flashworthy-agent'
$installed = Join-Path $folder 'flashworthy-agent.pyz'
New-Item -ItemType Directory -Path $folder -Force | Out-Null
Copy-Item -LiteralPath $Agent -Destination $installed -Force

$task = New-Object -TypeName System.Xml.XmlDocument
$task.Load((Join-Path $PSScriptRoot 'flashworthy-agent.xml'))
$task.Task.Actions.Exec.Command = $Python
$task.Task.Actions.Exec.Arguments = "-I `"$installed`" run --when-due"
# Without the first line of the file: a text of PowerShell is in another encoding than it names.
Register-ScheduledTask -TaskName 'flashworthy-agent' -Xml $task.DocumentElement.OuterXml -Force | Out-Null

Write-Output 'The task flashworthy-agent is registered. What would keep the agent from working:'
& $Python -I $installed examine
