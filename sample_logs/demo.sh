#!/bin/sh
# The main job on the shipped logs: one report a log, in out/demo. Called by `make demo`.
set -eu
cd "$(dirname "$0")/.."
out=out/demo
rm -rf "$out"
mkdir -p "$out"
logs="steady_and_tilted level_at_speed two_postures leaning_instrument"
for name in $logs; do
    log=sample_logs/$name.mcap
    [ -f "$log" ] || { echo "strokeplane: $log is missing; make the shipped logs anew with: make samples" >&2; exit 1; }
    echo "strokeplane: analysing $log (an invented player, a simulated sensor)"
    # The sound is heard where the extra for it is installed.
    sound=
    if [ -f "${log%.mcap}.ogg" ] && "$PY" -c "import soundfile" 2>/dev/null; then sound=${log%.mcap}.ogg; fi
    "$RUN" analyse "$log" ${sound:+--sound "$sound"} --strokes "$out/$name.strokes.csv" --json "$out/$name.json" --html "$out/$name.html"
    echo
done
echo "strokeplane: leaning_instrument once more, without the sensor on the instrument: the same play looks steeper"
"$RUN" analyse sample_logs/leaning_instrument.mcap --no-instrument --html "$out/leaning_instrument.hand_alone.html"
echo
logs="$logs leaning_instrument.hand_alone"
echo "strokeplane: the reports are here, one a log:"
for name in $logs; do echo "  $(pwd)/$out/$name.html"; done
if [ -n "${DISPLAY:-}${WAYLAND_DISPLAY:-}" ] || [ "$(uname)" = Darwin ]; then
    open_page='import pathlib, sys, webbrowser; webbrowser.open(pathlib.Path(sys.argv[1]).resolve().as_uri())'
    "$PY" -c "$open_page" "$out/${logs%% *}.html"
fi
