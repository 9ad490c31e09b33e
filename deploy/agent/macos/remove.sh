#!/bin/sh
# Removes the Flashworthy agent and its launchd job. Not tried on a real macOS yet.
#
#   sudo ./remove.sh [--purge]
#
# What the agent keeps (its identity, and reports that wait) stays, unless --purge is given.
set -eu

label=flashworthy.agent
folder="/Library/Application Support/flashworthy-agent"

fail() {
    echo "remove.sh: $1" >&2
    exit 1
}

[ "$(id -u)" = 0 ] || fail "run it as root, with sudo"
case ${1:-} in
    "") gone="$folder/program" ;;
    --purge) gone=$folder ;;
    *) fail "expected --purge or nothing, got '$1'" ;;
esac
if launchctl print "system/$label" >/dev/null 2>&1; then
    launchctl bootout "system/$label"
fi
rm -f "/Library/LaunchDaemons/$label.plist"
rm -rf "$gone"
