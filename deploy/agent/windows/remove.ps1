<#
.SYNOPSIS
Removes the Flashworthy agent and its scheduled task. Not tried on a real Windows yet.

.DESCRIPTION
What the agent keeps (its identity, and reports that wait) stays in the folder of all users' program
data, unless -Purge is given. Run it as an administrator.

.EXAMPLE
.\remove.ps1 -Purge
#>
[CmdletBinding()]
param([switch] $Purge)
Set-StrictMode -Version 2
$ErrorActionPreference = 'Stop'

if (Get-ScheduledTask -TaskName 'flashworthy-agent' -ErrorAction SilentlyContinue) {
    Stop-ScheduledTask -TaskName 'flashworthy-agent'
    Unregister-ScheduledTask -TaskName 'flashworthy-agent' -Confirm:$false
}
$folders = @(Join-Path $env:ProgramFiles 'flashworthy-agent')
if ($Purge) {
    $folders += Join-Path $env:ProgramData 'flashworthy-agent'
}
foreach ($folder in $folders) {
    if (Test-Path -LiteralPath $folder) {
        Remove-Item -LiteralPath $folder -Recurse -Force
    }
}
