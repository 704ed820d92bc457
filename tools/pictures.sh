#!/usr/bin/env bash
# Does the main job by mouse and keyboard in a real QGIS window on a virtual screen, and saves a
# picture of each step.
#
#   bash tools/pictures.sh FOLDER [WIDTHxHEIGHT] [FONT SIZE] [THEME]
#   bash tools/pictures.sh build/pictures 1920x1080 15 "Night Mapping"
#
# Themes are those of QGIS: default, "Blend of Gray", "Night Mapping". 10 is the usual font size.
set -euo pipefail
source "$(dirname "${BASH_SOURCE[0]}")/prepare.sh"
prepare_tests

[ $# -ge 1 ] || die "Say into which folder the pictures go."
mkdir -p "$1"
FOLDER="$(cd "$1" && pwd -P)"
SIZE="${2:-1366x768}" FONT="${3:-10}" THEME="${4:-default}"
WORK="$(mktemp -d)"
trap 'rm -rf "$WORK"' EXIT
mkdir -p "$WORK/profiles/default/QGIS"
cp -r "$ROOT/sample_project/quarry" "$ROOT/sample_project/quarry.qgz" "$WORK"
cat >"$WORK/profiles/default/QGIS/QGIS3.ini" <<SETTINGS
[PythonPlugins]
sitetie=true
[UI]
UITheme=$THEME
[qgis]
checkVersion=false
stylesheet\\fontPointSize=$FONT
SETTINGS

unset QT_QPA_PLATFORM
QGIS_PLUGINPATH="$PLUGINS" SITETIE_PICTURES="$FOLDER" SITETIE_JOB="$WORK/quarry.qgz" \
    SITETIE_SCREEN="$SIZE" timeout 600 \
    xvfb-run --auto-servernum --server-args="-screen 0 ${SIZE}x24" \
    qgis --nologo --noversioncheck --profiles-path "$WORK" \
    --code "$ROOT/tools/pictures_in_window.py" >"$FOLDER/log.txt" 2>&1 || true
grep -q '^All steps done' "$FOLDER/log.txt" ||
    { tail -n 20 "$FOLDER/log.txt" >&2; die "The run ended early."; }
ls "$FOLDER"
