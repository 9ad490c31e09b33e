#!/bin/sh
# Installs the Flashworthy agent and its launchd job. Not tried on a real macOS yet.
#
#   sudo ./install.sh PYTHON [AGENT]
#
# PYTHON is the whole path of a Python 3.11 or later. Whatever the job starts has all rights, so that
# PYTHON and every folder above it must belong to root, and be writable by administrators at most.
# AGENT is flashworthy-agent.pyz, by default the one beside this script.
set -eu

here=$(cd "$(dirname "$0")" && pwd)
label=flashworthy.agent
folder="/Library/Application Support/flashworthy-agent"
job="/Library/LaunchDaemons/$label.plist"

fail() {
    echo "install.sh: $1" >&2
    exit 1
}

# Whether nobody but root and administrators (the groups 0 and 80) may change $1, a path without
# links, or any folder above it.
is_roots() {
    path=$1
    while :; do
        found=$(find "$path" -prune \( ! -user 0 -o -perm -002 -o -perm -020 ! -group 0 ! -group 80 \) -print)
        [ -z "$found" ] || return 1
        [ "$path" != / ] || return 0
        path=$(dirname "$path")
    done
}

[ "$(id -u)" = 0 ] || fail "run it as root, with sudo"
[ $# -ge 1 ] || fail "expected the path of a Python 3.11 or later; see the head of this file"
python=$1
agent=${2:-"$here/flashworthy-agent.pyz"}
case $python in
    /*) ;;
    *) fail "expected a whole path of Python, got '$python'" ;;
esac
[ -f "$agent" ] || fail "expected the agent in '$agent'; build it with deploy/agent/build.sh pyz"
"$python" -I -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
    fail "expected Python 3.11 or later, got another: $python"
is_roots "$("$python" -I -c 'import os, sys; print(os.path.realpath(sys.executable))')" ||
    fail "others than administrators may change '$python': install one for all users"

umask 077
install -d -m 700 -o root -g 0 "$folder" "$folder/program"
install -m 600 -o root -g 0 "$agent" "$folder/program/flashworthy-agent.pyz"

if launchctl print "system/$label" >/dev/null 2>&1; then
    launchctl bootout "system/$label"
fi
install -m 644 -o root -g 0 "$here/$label.plist" "$job"
plutil -replace ProgramArguments.0 -string "$python" "$job"
plutil -lint -s "$job"
launchctl bootstrap system "$job"

echo "The job $label is loaded. What would keep the agent from working:"
"$python" -I "$folder/program/flashworthy-agent.pyz" examine
