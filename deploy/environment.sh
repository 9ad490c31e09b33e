#!/usr/bin/env bash
# Makes or refreshes a virtual environment that holds this checkout.
#
#   deploy/environment.sh FOLDER EXTRA...     an EXTRA is agent, server or dev
#
# Everything comes from deploy/requirements-EXTRA.lock, by version and digest; the checkout itself
# is installed so that edits take effect. Nothing is installed again while none of it changed.
# PYTHON names another interpreter (3.11 or later).
set -euo pipefail
folder=$(realpath -m "$1")
shift
cd "$(dirname "$0")/.."

locks=()
for extra in "$@"; do
    locks+=("deploy/requirements-$extra.lock")
done
stamp=$folder/installed-from
digest=$(pwd; cat "${locks[@]}" pyproject.toml | sha256sum)
if [ -f "$stamp" ] && [ "$(cat "$stamp")" = "$digest" ]; then
    exit 0
fi

[ -x "$folder/bin/python" ] || "${PYTHON:-python3}" -m venv "$folder"
pip() { "$folder/bin/python" -m pip --disable-pip-version-check -qq "$@"; }
echo "installing $(cat "${locks[@]}" | grep == | sort -u | wc -l) packages into $folder ..."
pip install --require-hashes --only-binary :all: "${locks[@]/#/--requirement=}"
pip install --no-deps --no-build-isolation --editable .
echo "$digest" > "$stamp"
