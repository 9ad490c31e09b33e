#!/usr/bin/env bash
# Writes the dependency locks anew from pyproject.toml: versions with digests, no registry named.
# Run it after changing a dependency there, then run the tests.
set -euo pipefail
cd "$(dirname "$0")/.."

folder=$(mktemp -d)
trap 'rm -r "$folder"' EXIT
"${PYTHON:-python3}" -m venv "$folder"
"$folder/bin/python" -m pip --quiet install pip-tools

compile() {
    local extra=$1
    shift
    "$folder/bin/pip-compile" --quiet --generate-hashes --strip-extras --allow-unsafe \
        --build-deps-for editable --extra "$extra" "$@" \
        --no-header --no-annotate --no-emit-index-url --no-emit-find-links --no-emit-trusted-host \
        --output-file "deploy/requirements-$extra.lock" pyproject.toml
    echo "deploy/requirements-$extra.lock: $(grep -c == "deploy/requirements-$extra.lock") packages"
}

rm -f deploy/requirements-*.lock
compile dev
# The others are parts of it, at the same versions.
compile agent --constraint deploy/requirements-dev.lock
compile server --constraint deploy/requirements-dev.lock
