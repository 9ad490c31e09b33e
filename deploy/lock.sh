#!/usr/bin/env bash
# Writes the dependency locks anew from pyproject.toml: versions with digests, no registry named.
# Run it after changing a dependency there, then run the tests. Versions that still fit are kept;
# deploy/lock.sh --upgrade takes the newest that pyproject.toml allows.
set -euo pipefail
cd "$(dirname "$0")/.."

folder=$(mktemp -d)
trap 'rm -r "$folder"' EXIT
"${PYTHON:-python3}" -m venv "$folder"
"$folder/bin/python" -m pip --quiet install uv

# What building the checkout itself needs, since it is installed without an isolated build.
printf 'hatchling\neditables\n' >"$folder/build.in"

compile() {
    local extra=$1
    shift
    local lock=deploy/requirements-$extra.lock
    "$folder/bin/uv" pip compile --quiet --universal --python-version 3.11 --generate-hashes \
        --no-header --no-annotate --extra "$extra" "$@" --output-file "$lock" \
        pyproject.toml "$folder/build.in"
    echo "$lock: $(grep -c '==' "$lock") packages"
}

compile dev "$@"
# The others are parts of it, at the same versions.
compile agent --constraint deploy/requirements-dev.lock
compile server --constraint deploy/requirements-dev.lock
