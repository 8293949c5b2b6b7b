#!/bin/sh
# Makes docs/pictures/screen.svg from a real rehearsal in a terminal of 100 by 30. Needs tmux, python3, a sound server
# (a null sink will do) and a built program:
#   docs/pictures/screen.sh target/release/antiphon
# The picture is taken when the observer is awaited at the first critical step, about three minutes on.
set -eu
program=$1
columns=100
folder=$(mktemp -d)
socket="antiphon-picture-$$"
trap 'tmux -L "$socket" kill-server 2>/dev/null || true; rm -rf "$folder"' EXIT
tmux -L "$socket" new-session -d -x "$columns" -y 30 \
    "$program rehearse procedures/isolation-donning.toml --aloud --seed 7 --sessions $folder"
waited=0
until tmux -L "$socket" capture-pane -p | grep -q 'CRITICAL' &&
    tmux -L "$socket" capture-pane -p | grep -q 'OBSERVER, if you saw'; do
    sleep 0.5
    waited=$((waited + 1))
    [ "$waited" -lt 1200 ] || { echo "the moment did not come in ten minutes" >&2; exit 1; }
done
tmux -L "$socket" capture-pane -e -N -p | python3 docs/pictures/screen.py "$columns" >"$folder/screen.svg"
mv "$folder/screen.svg" docs/pictures/screen.svg
