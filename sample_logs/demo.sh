#!/bin/sh
# The main job on the shipped logs: one report a log, in out/demo. Called by `make demo`.
set -eu
cd "$(dirname "$0")/.."
out=out/demo
rm -rf "$out"
mkdir -p "$out"
first=
for log in sample_logs/*.mcap; do
    [ -f "$log" ] || { echo "strokeplane: no logs in sample_logs; make them with: make samples" >&2; exit 1; }
    name=$(basename "$log" .mcap)
    echo "strokeplane: analysing $log (a made-up player, simulated sensor)"
    "$RUN" analyse "$log" \
        --strokes "$out/$name.strokes.csv" --json "$out/$name.json" --html "$out/$name.html"
    first=${first:-$out/$name.html}
done
echo
echo "strokeplane: the reports are here, one a log:"
for report in "$out"/*.html; do echo "  $(pwd)/$report"; done
if [ -n "${DISPLAY:-}${WAYLAND_DISPLAY:-}" ] || [ "$(uname)" = Darwin ]; then
    "$PY" -c 'import pathlib, sys, webbrowser; webbrowser.open(pathlib.Path(sys.argv[1]).resolve().as_uri())' "$first"
fi
