#!/usr/bin/env bash
# Shows Flashworthy at work, on this very machine and on an invented site of about eighty.
#
#   deploy/demo.sh          sets everything up, prints what an administrator and a technician see,
#                           then serves until Ctrl-C
#   deploy/demo.sh --once   the same, and stops after printing
#
# Everything it makes stands in .demo/ of this checkout; it listens on loopback only, changes
# nothing on this machine and writes no firmware. PYTHON names another interpreter (3.11 or later).
set -euo pipefail
cd "$(dirname "$0")/.."

once=no
case "${1:-}" in
    "") ;;
    --once) once=yes ;;
    -h|--help) sed -n '2,9s/^# \{0,1\}//p' "$0"; exit 0 ;;
    *) echo "deploy/demo.sh: unknown option $1; see deploy/demo.sh --help" >&2; exit 2 ;;
esac

site=$PWD/.demo/site
bin=$PWD/.demo/environment/bin
export FLASHWORTHY_DATABASE=sqlite:///$site/flashworthy.db
export FLASHWORTHY_PACKAGES=$site/packages
export FLASHWORTHY_STATE=$site/agent

server_pid=
stop_server() {
    if [ -n "$server_pid" ]; then
        kill "$server_pid" 2>/dev/null || true
        wait "$server_pid" 2>/dev/null || true
    fi
}
trap stop_server EXIT
trap 'exit 130' INT TERM

step() { printf '\n== %s\n' "$*"; }
show() { printf '\n$ %s\n' "$*"; "$bin/$@"; }

step "1/6  set-up in .demo/"
deploy/environment.sh .demo/environment agent server
rm -rf "$site"
mkdir -p "$site"
chmod 700 "$site"
"$bin/flashworthy-server" migrate

step "2/6  server on loopback"
port=$("$bin/python" -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])')
url=http://127.0.0.1:$port
"$bin/flashworthy-server" serve --port "$port" >"$site/server.log" 2>&1 &
server_pid=$!
for _ in $(seq 100); do
    "$bin/python" -c "import urllib.request as r; r.urlopen('$url/healthz', timeout=1)" 2>/dev/null && break
    kill -0 "$server_pid" 2>/dev/null || { cat "$site/server.log" >&2; exit 1; }
    sleep 0.1
done
echo "$url is up"

step "3/6  releases and reviews of three invented makers"
"$bin/python" deploy/demo/county_library.py --releases >"$site/releases.json"
"$bin/flashworthy-server" releases import "$site/releases.json"
"$bin/flashworthy-server" exploited import deploy/demo/exploited.json
"$bin/flashworthy-server" weighing set human_impact=high >/dev/null
echo "work stands still where a machine fails: human impact is set to high"
"$bin/flashworthy-server" account new "Tom Arden" --role technician >/dev/null 2>&1
"$bin/python" deploy/demo/last_week.py "Tom Arden"

step "4/6  Wendle County Libraries: machines enrol and report through the API"
code=$("$bin/flashworthy-server" code new --uses 100 --days 1 2>/dev/null)
"$bin/python" deploy/demo/county_library.py --server "$url" --code "$code"
marked=gorse-end-folio-11-18
"$bin/flashworthy-server" mark "$marked" "fire-alarm panel terminal"
"$bin/flashworthy-server" symptoms add ivy-bridge-folio-11-20 "the touchpad stops working after sleep"
"$bin/flashworthy-server" exceptions add not-this-release --machine dunmere-folio-14-03 --machine juniper-close-folio-14-09 \
    --version 1.34 --reason "borrowed for the reading week" --owner "Ida Fenwick" --until "$(date -u -d '+2 days' +%F)"
keep() { # MAKER MODEL VERSION and what else is said: keeps an invented package
    printf 'an invented package of %s %s' "$2" "$3" >"$site/package.cap"
    "$bin/flashworthy-server" packages keep "$site/package.cap" --maker "$1" --model "$2" --version "$3" "${@:4}"
}
keep Quillmark "Folio 14" 1.29 --source https://quillmark.example/folio-14
keep Tarnbrook "Carrel One" T.07 --source https://tarnbrook.example/carrel-one
keep Tarnbrook "Nook 2" T.20 --source https://tarnbrook.example/nook-2
keep "Osier & Vane" "Lectern M" "H07 v01.02" --machine fallow-hill-lectern-m-53 --source "read out by Tom Arden"

step "5/6  this very machine: its own agent enrols, looks, and reports"
code=$("$bin/flashworthy-server" code new --days 1 2>/dev/null)
"$bin/flashworthy-agent" enrol --server "$url" --code "$code" --place "Larkfield / IT workshop"
"$bin/flashworthy-agent" run

step "6/6  what an administrator sees"
show flashworthy-server overview
show flashworthy-server worklist

step "... and what a technician sees before the visit"
show flashworthy-server verdict alder-lane-lectern-m-48
show flashworthy-server verdict elmford-folio-14-04
echo
echo "A refusal:"
show flashworthy-server verdict harbour-street-folio-14-07

step "... and the rest of the story, machine by machine"
"$bin/flashworthy-server" machines --json | "$bin/python" -c '
import json, sys
told = {row["name"]: row for row in json.load(sys.stdin)}
for name, what in {
    "fallow-hill-lectern-m-53": "two steps, and a read-out of its own board is kept",
    "dunmere-carrel-one-39": "no way back, but a way of recovery",
    "alder-lane-nook-2-60": "no way back, and no way of recovery is known",
    "ivy-bridge-folio-11-20": "shows a fault that the next release mends",
    "castle-row-folio-11-62": "the same model, without the fault; 2.06 was withdrawn",
    "dunmere-folio-14-03": "an exception that ends in two days",
    "castle-row-carrel-5-26": "nobody has read its maker\u0027s page",
}.items():
    row = told[name]
    print(row["outcome"].upper().ljust(10) + name + " (" + what + ")\n          " + row["sentence"])
'
show flashworthy-server exceptions list
show flashworthy-server packages missing

step "... a visit of six machines, and the one of last week"
mapfile -t mossgate < <("$bin/flashworthy-server" machines --place Mossgate --json | "$bin/python" -c '
import json, sys
print("\n".join(row["name"] for row in json.load(sys.stdin)))
')
day=$(date -u -d '+1 day' +%F)
show flashworthy-server visit plan "${mossgate[@]}" --begins "$day 09:00" --ends "$day 11:00" \
    --technician "Tom Arden" --remark "key at the lending desk"
show flashworthy-server visit list
show flashworthy-server visit show 1
show flashworthy-server visit record netherby-folio-14-80

step "... what a person confirms, and a machine that has no agent"
show flashworthy-server confirmations add castle-row-folio-14-02 recovery-key
show flashworthy-server machine enter attic-pc --maker Quillmark --model "Folio 14" --runs 1.29 \
    --kind portable --place "Alder Lane / attic" --no-mains --battery-percent 71
show flashworthy-server verdict attic-pc

step "... and after: flashes are recorded, and the machines' own reports close them"
show flashworthy-server flash start birchwick-folio-14-01
show flashworthy-server flash start fallow-hill-lectern-m-53
show flashworthy-server flash start kelling-folio-14-10
comes_back() { # MACHINE VERSION
    code=$("$bin/flashworthy-server" code new --days 1 2>/dev/null)
    "$bin/python" deploy/demo/county_library.py --server "$url" --code "$code" --machine "$1" --runs "$2"
}
comes_back birchwick-folio-14-01 1.34
comes_back fallow-hill-lectern-m-53 "H07 v01.05"
comes_back kelling-folio-14-10 1.29
show flashworthy-server flash list birchwick-folio-14-01
show flashworthy-server flash list fallow-hill-lectern-m-53
show flashworthy-server flash list kelling-folio-14-10

step "... and a look on the spot, at this very machine"
printf '\n$ flashworthy-agent check\n'
"$bin/flashworthy-agent" check && status=0 || status=$?
echo "(exit status $status)"

token=$("$bin/flashworthy-server" token new demo --role administrator --days 1 2>/dev/null)
if [ "$once" = yes ]; then
    step "done"
    exit 0
fi
code=$("$bin/flashworthy-server" account new demo --role administrator 2>/dev/null)
step "serving at $url until Ctrl-C; try"
cat <<TXT
in a browser, $url/set-up: the name demo, the code $code, and a password of your own
curl -H "Authorization: Bearer $token" $url/api/v1/overview
FLASHWORTHY_DATABASE=$FLASHWORTHY_DATABASE $bin/flashworthy-server machines --outcome prepare
TXT
wait "$server_pid"
