#!/bin/sh
# Set up .venv in the checkout: "run" to run strokeplane, "dev" to work on it as well. Repeating it costs nothing
# while requirements and pyproject.toml stay as they are. PYTHON=... picks the interpreter.
set -eu
kind=${1:?run or dev}
cd "$(dirname "$0")/.."
venv=.venv
unset PYTHONPATH PYTHONHOME

say() { printf '%s\n' "strokeplane: $*"; }
die() { printf '%s\n' "strokeplane: $*" >&2; exit 1; }
recent_enough() { "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; }

[ "$kind" = run ] || command -v git >/dev/null ||
    die "the tests need git; install it (on Debian or Ubuntu: apt-get install git)"

find_python() {
    for candidate in ${PYTHON:-python3 python3.13 python3.12 python3.11}; do
        if recent_enough "$candidate"; then
            echo "$candidate"
            return
        fi
    done
    die "needs Python 3.11 or newer, found ${PYTHON:-$(python3 --version 2>&1 || echo none)};" \
        "install it (on Debian or Ubuntu: apt-get install python3 python3-venv), or name one: make PYTHON=/path/to/python3 ..."
}

create_venv() {
    python=$(find_python) || exit 1
    "$python" -c 'import venv, ensurepip' 2>/dev/null ||
        die "$python has no venv module with pip; on Debian or Ubuntu: apt-get install python3-venv"
    say "making $venv with $("$python" --version)"
    "$python" -m venv --clear $venv || die "$python could not make $venv; is there room on the disk, may you write here?"
}

# What this set-up stands on. The path is in it because a virtual environment cannot be moved.
state() { { pwd; cat requirements/setup.sh "requirements/$1.txt" pyproject.toml; } | cksum; }
is_current() { [ -f "$venv/set-up-$1" ] && [ "$(cat "$venv/set-up-$1")" = "$(state "$1")" ]; }

if recent_enough $venv/bin/python && { [ -f $venv/where ] && [ "$(cat $venv/where)" != "$(pwd)" ]; }; then
    say "$venv was made elsewhere; making it anew"
    create_venv
elif ! recent_enough $venv/bin/python || ! $venv/bin/python -m pip --version >/dev/null 2>&1; then
    create_venv
fi
pwd > $venv/where

# Everything of "run" is in "dev" too, in the same versions.
if is_current dev || { [ "$kind" = run ] && is_current run; }; then
    exit 0
fi
say "installing the pinned requirements ($kind); the first time takes a few minutes, with nothing to see"
rm -f $venv/set-up-run $venv/set-up-dev
# Whatever the machine's pip configuration says: a virtual environment knows no user installs, and the hashes alone
# decide on versions, no constraints file. Its package index and certificates stay in force.
export PIP_USER=0 PIP_CONSTRAINT=/dev/null PIP_DISABLE_PIP_VERSION_CHECK=1
$venv/bin/python -m pip install --quiet --quiet --require-hashes -r "requirements/$kind.txt" ||
    die "the requirements could not be installed; see pip's message above. It needs the network the first time;" \
        "try again, or look at your pip configuration: python3 -m pip config list"
$venv/bin/python -m pip install --quiet --quiet --no-deps --no-build-isolation --config-settings editable_mode=compat -e . ||
    die "strokeplane itself could not be installed; see pip's message above"
state "$kind" > "$venv/set-up-$kind"
say "set up: $venv/bin/strokeplane"
