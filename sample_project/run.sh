#!/usr/bin/env bash
# Installs what is missing and runs the main job on the sample quarry, through QGIS Processing:
# a first look at the pairs as they came in, the tie of the reviewed pairs with its report, the
# topo points restated through it, and the design axis turned into positions for staking out.
#
#   bash sample_project/run.sh [FOLDER]     results go to FOLDER, else to sample_project/results
set -euo pipefail
source "$(dirname "${BASH_SOURCE[0]}")/../tools/prepare.sh"
prepare_qgis

quarry="$ROOT/sample_project/quarry"
results="${1:-$ROOT/sample_project/results}"
mkdir -p "$results/first_look"
results="$(cd "$results" && pwd -P)"
log="$results/log.txt"
: >"$log"

# run WHAT ALGORITHM --NAME=VALUE...
run() {
    say "$1 ($2)"
    if ! qgis_process run "${@:2}" >>"$log" 2>&1; then
        tail -n 25 "$log" >&2
        die "$2 failed. Log: $log"
    fi
}

options="$("$PYTHON" "$ROOT/sample_project/settings_options.py" "$quarry/settings.json")"
mapfile -t settings <<<"$options"

# solve WHAT PAIRS FOLDER
solve() {
    run "$1" sitetie:solve --PAIRS="$2" "${settings[@]}" --TIE="$3/tie.json" \
        --RESIDUALS="$3/residuals.gpkg" --REPORT="$3/report.html" --REPORT_PDF="$3/report.pdf"
}

solve "First look at the pairs as they came in" "$quarry/pairs.csv" "$results/first_look"
solve "Tie of the reviewed pairs" "$quarry/pairs_reviewed.csv" "$results"
run "Topo points restated" sitetie:restate --OBSERVATIONS="$quarry/topo_points.gpkg" \
    --TIE="$results/tie.json" --OUTPUT="$results/topo_points_restated.gpkg"
run "Design axis for staking out" sitetie:geodetic --SITE="$quarry/design_axis.gpkg" \
    --TIE="$results/tie.json" --OUTPUT="$results/design_axis_geodetic.gpkg"

"$PYTHON" "$ROOT/sample_project/summary.py" "$results"
