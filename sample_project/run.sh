#!/usr/bin/env bash
# Installs what is missing and runs the main job on the sample quarry, through QGIS Processing.
# Every command is shown as it is run; after `source tools/prepare.sh` it can be typed by hand.
#
#   bash sample_project/run.sh [FOLDER]     results go to FOLDER, else to sample_project/results
set -euo pipefail
results="$(realpath -m "${1:-$(dirname "${BASH_SOURCE[0]}")/results}")"
source "$(dirname "${BASH_SOURCE[0]}")/../tools/prepare.sh"
prepare_qgis

cd "$ROOT/sample_project"
results="$(realpath -m --relative-base="$PWD" "$results")"
mkdir -p "$results"/{day_1,as_observed,reviewed}
log="$results/log.txt"
: >"$log"

# run WHAT ALGORITHM --NAME=VALUE...
run() {
    say ""
    say "$1"
    say "  qgis_process run $(printf '%q ' "${@:2}")"
    if ! qgis_process run "${@:2}" >>"$log" 2>&1; then
        tail -n 25 "$log" >&2
        die "$2 failed. Log: $log"
    fi
}

options="$("$PYTHON" settings_options.py quarry/settings.json)"
mapfile -t settings <<<"$options"
sigmas=(--SIGMA_E=sigma_e --SIGMA_N=sigma_n --SIGMA_U=sigma_u)

run "Day 1: two pairs give a rough tie; its heights can only be shifted" \
    sitetie:solve --PAIRS=quarry/pairs_first_two.csv \
    "${settings[@]/%VERTICAL_MODEL=plane/VERTICAL_MODEL=shift}" --TIE="$results/day_1/tie.json" \
    --RESIDUALS="$results/day_1/residuals.gpkg"
run "The topo points through the rough tie" \
    sitetie:restate --OBSERVATIONS=quarry/topo_points.gpkg --ID=id "${sigmas[@]}" \
    --TIE="$results/day_1/tie.json" --OUTPUT="$results/day_1/topo_points.gpkg"
run "All pairs as they came in, on the base projection of day 1" \
    sitetie:solve --PAIRS=quarry/pairs.csv "${settings[@]}" \
    --EARLIER_TIE="$results/day_1/tie.json" --TIE="$results/as_observed/tie.json" \
    --RESIDUALS="$results/as_observed/residuals.gpkg" --REPORT="$results/as_observed/report.html"
run "The pairs after review" \
    sitetie:solve --PAIRS=quarry/pairs_reviewed.csv "${settings[@]}" \
    --EARLIER_TIE="$results/day_1/tie.json" --TIE="$results/reviewed/tie.json" \
    --RESIDUALS="$results/reviewed/residuals.gpkg" --REPORT="$results/reviewed/report.html" \
    --REPORT_PDF="$results/reviewed/report.pdf" --JOB="Tannhag quarry" \
    --SURVEYOR="Ilmar & Oke Surveyors (invented)"
run "The topo points again, through the tie after review" \
    sitetie:restate --OBSERVATIONS="$results/day_1/topo_points.gpkg" --ID=id "${sigmas[@]}" \
    --TIE="$results/reviewed/tie.json" --OUTPUT="$results/reviewed/topo_points.gpkg"
run "The axis of the embankment, for staking out" \
    sitetie:geodetic --SITE=quarry/design_axis.csv --EASTING=easting --NORTHING=northing \
    --ELEVATION=elevation --DMS=true --TIE="$results/reviewed/tie.json" \
    --OUTPUT="$results/reviewed/design_axis.gpkg"

"$PYTHON" summary.py "$results"
