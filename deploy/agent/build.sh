#!/usr/bin/env bash
# Builds what an agent is installed from.
#
#   deploy/agent/build.sh pyz [FOLDER]   a single file with everything that it needs but Python
#   deploy/agent/build.sh deb [FOLDER]   a Debian package; its libraries are Debian's own
#
# FOLDER is where the result goes (dist/). VERSION names another version than that of
# pyproject.toml; PYTHON another interpreter (3.11 or later). The same sources give the same bytes.
set -euo pipefail
cd "$(dirname "$0")/../.."

kind=${1:-}
folder=${2:-dist}
python=${PYTHON:-python3}
version=${VERSION:-$(sed -n 's/^version = "\(.*\)"/\1/p' pyproject.toml)}
export SOURCE_DATE_EPOCH=${SOURCE_DATE_EPOCH:-1767225600} # 2026-01-01, of every file inside

work=$(mktemp -d)
trap 'rm -r "$work"' EXIT
mkdir -p "$folder"
umask 022

copy_sources() { # to folder $1
    mkdir -p "$1"
    cp -r agent/flashworthy_agent common/flashworthy_common "$1"
    find "$1" -name __pycache__ -prune -exec rm -r {} +
    sed -i "s/^__version__ = .*/__version__ = \"$version\"/" "$1/flashworthy_agent/__init__.py"
}

same_time() { find "$1" -exec touch --no-dereference --date="@$SOURCE_DATE_EPOCH" {} +; }

build_pyz() {
    # Only what runs wherever Python does; compiled variants of these libraries are not needed.
    "$python" -m pip --disable-pip-version-check -q install --root-user-action ignore --require-hashes --no-compile \
        --only-binary :all: --platform any --implementation py --abi none \
        --target "$work/all" --requirement deploy/requirements-agent.lock
    mkdir "$work/app"
    for name in requests certifi charset_normalizer idna urllib3; do # the rest serves building
        mv "$work/all/$name" "$work/all/$name"-*.dist-info "$work/app"
    done
    copy_sources "$work/app"
    cp LICENSE "$work/app"
    cat >"$work/app/__main__.py" <<'PY'
import sys

from flashworthy_agent.cli import program

sys.exit(program())
PY
    # Beside the sources, where an archive is read from; another Python passes over them.
    "$python" -m compileall -q -b --invalidation-mode unchecked-hash -s "$work/app" "$work/app"
    same_time "$work/app"
    "$python" -m zipapp --compress --python '/usr/bin/env python3' \
        --output "$folder/flashworthy-agent.pyz" "$work/app"
    chmod 755 "$folder/flashworthy-agent.pyz"
    echo "$folder/flashworthy-agent.pyz: $(stat -c %s "$folder/flashworthy-agent.pyz") bytes"
}

build_deb() {
    local root=$work/root deb=$folder/flashworthy-agent_${version}_all.deb
    copy_sources "$root/usr/lib/flashworthy-agent"
    install -D -m 755 deploy/agent/debian/flashworthy-agent "$root/usr/bin/flashworthy-agent"
    install -D -m 644 -t "$root/lib/systemd/system" deploy/agent/flashworthy-agent.{service,timer}
    install -D -m 644 deploy/agent/agent.toml "$root/usr/share/flashworthy-agent/agent.toml"
    install -D -m 644 LICENSE "$root/usr/share/doc/flashworthy-agent/copyright"
    install -d "$root/DEBIAN"
    install -m 755 -t "$root/DEBIAN" deploy/agent/debian/{postinst,prerm,postrm}
    sed "s/@VERSION@/$version/; s/@SIZE@/$(du -sk --apparent-size "$root" | cut -f1)/" \
        deploy/agent/debian/control.in >"$root/DEBIAN/control"
    same_time "$root"
    dpkg-deb --root-owner-group --build "$root" "$deb" >/dev/null
    echo "$deb: $(stat -c %s "$deb") bytes"
}

case "$kind" in
    pyz | deb) "build_$kind" ;;
    -h | --help) sed -n '2,9s/^# \{0,1\}//p' "$0" ;;
    *) echo "deploy/agent/build.sh: expected pyz or deb, got '$kind'; see --help" >&2; exit 2 ;;
esac
