#!/usr/bin/env bash
# Tests Flashworthy in a virtual environment of its own.
#
#   tests/run.sh                       lint, types and every quick test this machine can run
#   tests/run.sh --with-system-tools   first installs the system programs that real-part tests
#                                      need (Debian, as root), and runs those tests too
#   tests/run.sh --long                adds the bounded long runs
#   tests/run.sh -- ARGUMENTS          hands the rest to pytest
#
# Ends with what was skipped and why. PYTHON names another interpreter (3.11 or later).
set -euo pipefail
cd "$(dirname "$0")/.."

SYSTEM_PACKAGES=(dmidecode nginx-light mmdebstrap systemd-container openssl cryptsetup-bin
    qemu-system-x86 ovmf acpica-tools busybox-static gcc gnu-efi
    gcc-mingw-w64-i686-win32 gcc-mingw-w64-x86-64-win32
    shellcheck rpm createrepo-c dnf zypper pacman-package-manager postgresql chromium poppler-utils)
# What only lies there to be started by a test: a UPS server, and the kernel of an emulated machine.
UNPACKED_PACKAGES=(nut-server libupsclient6 libwrap0 linux-image-amd64)

with_system_tools=no
long=no
while [ $# -gt 0 ]; do
    case "$1" in
        --with-system-tools) with_system_tools=yes ;;
        --long) long=yes ;;
        --) shift; break ;;
        -h|--help) sed -n '2,10s/^# \{0,1\}//p' "$0"; exit 0 ;;
        *) echo "tests/run.sh: unknown option $1; see tests/run.sh --help" >&2; exit 2 ;;
    esac
    shift
done

say() { printf '\n== %s\n' "$*"; }

if [ "$with_system_tools" = yes ]; then
    say "system programs: ${SYSTEM_PACKAGES[*]}"
    if [ "$(id -u)" != 0 ] || ! command -v apt-get >/dev/null; then
        echo "tests/run.sh: --with-system-tools needs root on Debian" >&2
        exit 2
    fi
    export DEBIAN_FRONTEND=noninteractive
    apt-get update -qq
    apt-get install -qq -y --no-install-recommends "${SYSTEM_PACKAGES[@]}" >/dev/null
fi

# Unpacks packages into .unpacked without installing them; one that only names another is followed.
unpack() {
    local folder package
    folder=$(mktemp -d)
    for package in "$@"; do
        case "$package" in
            linux-image-amd64)
                package=$(apt-cache depends "$package" | awk '/Depends: linux-image/ {print $2; exit}') ;;
        esac
        (cd "$folder" && apt-get -o APT::Sandbox::User=root download -qq "$package")
    done
    rm -rf .unpacked
    mkdir .unpacked
    for package in "$folder"/*.deb; do
        dpkg -x "$package" .unpacked
    done
    rm -r "$folder"
}

if [ "$with_system_tools" = yes ]; then
    say "unpacked in .unpacked: ${UNPACKED_PACKAGES[*]}"
    unpack "${UNPACKED_PACKAGES[@]}"
fi

say "virtual environment"
deploy/environment.sh .venv dev
python=.venv/bin/python

say "lint"
$python -m ruff check .
$python -m ruff format --check .

say "types"
$python -m mypy
$python -m mypy --platform win32 --follow-imports=silent agent/flashworthy_agent/probes/windows/live.py

# run MARKERS ARGUMENTS...: the tests so marked; that none is so marked is no failure
run() {
    local markers=$1
    shift
    $python -m pytest -q -m "$markers" -rs --durations=5 "$@" || [ $? = 5 ]
}

say "quick tests"
run "not system and not long" --numprocesses=auto --dist=worksteal "$@"

if [ "$with_system_tools" = yes ]; then
    say "tests with system programs"
    run "system and not long" "$@"
    say "the server's tests on PostgreSQL"
    run "not system and not long and not tedious" --database postgresql --numprocesses=auto \
        --dist=worksteal --ignore-glob='*pages*' tests/server "$@"
else
    echo "left out: tests marked 'system' (run with --with-system-tools)"
fi

if [ "$long" = yes ]; then
    say "long runs"
    also=$([ "$with_system_tools" = yes ] || echo " and not system")
    run "long$also" "$@"
else
    echo "left out: tests marked 'long' (run with --long)"
fi
