#!/usr/bin/env bash
# Runs all tests on each QGIS release that Debian carries, each in a Debian of its own, and prints
# a table. As root, with a network; about ten minutes a release and 4 GB each.
#
#   bash tests/every_qgis.sh                      all releases, all tests
#   bash tests/every_qgis.sh 3.44                 one of them
#   bash tests/every_qgis.sh 3.44 tests/plugin    with arguments for tests/run.sh
#
# The Debians stay in /var/tmp/sitetie-debians (or $SITETIE_DEBIANS), so that a second run is quick;
# logs and figures are in build/every_qgis. It fails when a test fails anywhere, or when a figure
# differs by more than a micrometre between releases.
set -euo pipefail

ROOT="$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd -P)"
PLACE="${SITETIE_DEBIANS:-/var/tmp/sitetie-debians}"
OUT="$ROOT/build/every_qgis"
RELEASES=(3.22 3.40 3.44)
declare -A SUITE=([3.22]=bookworm [3.40]=trixie [3.44]=trixie) BACKPORTS=([3.44]=trixie-backports)

die() { printf '%s\n' "$*" >&2; exit 1; }

[ "$(id -u)" -eq 0 ] || die "Run this as root: it makes Debians of its own."
if [[ -n "${1:-}" && -n "${SUITE[$1]:-}" ]]; then RELEASES=("$1"); shift; fi
if ! command -v debootstrap >/dev/null; then
    apt-get update -q >/dev/null
    DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends debootstrap >/dev/null
fi
mkdir -p "$PLACE" "$OUT"

# The mirror and the proxy of this machine serve the others as well.
mirror() {
    awk '/^URIs:.*\/debian\/?$/ {print $2; exit} /^deb .*\/debian\/? / {print $2; exit}' \
        /etc/apt/sources.list.d/*.sources /etc/apt/sources.list 2>/dev/null || true
}

# make_debian RELEASE: its folder with what runs in any, once.
make_debian() {
    local release=$1 suite=${SUITE[$1]} backports=${BACKPORTS[$1]:-} debian="$PLACE/$1" from
    from="$(mirror)"
    [ -n "$from" ] || die "No Debian mirror is named in /etc/apt."
    if [ ! -e "$debian/made" ]; then
        release_debian "$release"
        rm -rf "$debian"
        debootstrap --variant=minbase "$suite" "$debian" "$from" >"$OUT/$release-debian.log" 2>&1 ||
            die "debootstrap failed; see $OUT/$release-debian.log"
        [ -z "$backports" ] ||
            echo "deb $from $backports main" >"$debian/etc/apt/sources.list.d/backports.list"
        touch "$debian/made"
    fi
    mountpoint -q "$debian/proc" || mount -t proc proc "$debian/proc"
    mountpoint -q "$debian/dev/shm" || { mkdir -p "$debian/dev/shm"; mount -t tmpfs tmpfs "$debian/dev/shm"; }
    mountpoint -q "$debian/dev/pts" || mount -t devpts devpts "$debian/dev/pts" -o newinstance,ptmxmode=0666
    cp -L /etc/resolv.conf "$debian/etc/resolv.conf" 2>/dev/null || true
    cp /etc/ssl/certs/ca-certificates.crt "$debian/root/host-ca.crt" 2>/dev/null || true
    find /etc/apt/apt.conf.d -iname '*proxy*' -exec cp {} "$debian/etc/apt/apt.conf.d/" \;
    if [ -n "$backports" ] && ! inside "$release" dpkg-query -W qgis >/dev/null 2>&1; then
        inside "$release" bash -c "apt-get update -q && DEBIAN_FRONTEND=noninteractive apt-get install \
            -q -y --no-install-recommends -t $backports qgis python3-qgis qgis-providers" \
            >>"$OUT/$release-debian.log" 2>&1 || die "No QGIS; see $OUT/$release-debian.log"
    fi
}

# What is mounted in it goes before it is left or made again.
release_debian() {
    local place
    for place in proc dev/shm dev/pts; do
        if mountpoint -q "$PLACE/$1/$place"; then umount -l "$PLACE/$1/$place"; fi
    done
}

inside() {
    local release=$1 certificates=()
    shift
    if [ -e "$PLACE/$release/root/host-ca.crt" ]; then certificates=(PIP_CERT=/root/host-ca.crt); fi
    chroot "$PLACE/$release" env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/root \
        "${certificates[@]}" "$@" </dev/null
}

# run_tests RELEASE ARGUMENTS: in a fresh clone of what is committed, in a folder with a blank in
# its name; the environment of an earlier run is kept.
run_tests() {
    local release=$1 clone="$PLACE/$1/root/site tie"
    shift
    rm -rf "$clone.old"
    if [ -e "$clone" ]; then mv "$clone" "$clone.old"; fi
    git clone -q --no-hardlinks "$ROOT" "$clone"
    if [ -e "$clone.old/.venv" ]; then mv "$clone.old/.venv" "$clone/.venv"; fi
    rm -rf "$clone.old"
    local start rc=0
    start=$(date +%s)
    inside "$release" bash -c 'cd "/root/site tie" && exec bash tests/run.sh "$@"' _ "$@" \
        >"$OUT/$release.log" 2>&1 || rc=$?
    inside "$release" bash -c 'cd "/root/site tie" && exec .venv/bin/python tests/same_figures.py' \
        >"$OUT/$release.json" 2>>"$OUT/$release.log" || rc=1
    printf '| %s | %s | %s | %d min %02d s |\n' "$release" \
        "$(inside "$release" bash -c 'cd "/root/site tie" && exec .venv/bin/python tests/same_figures.py --versions' 2>/dev/null)" \
        "$(grep -E '^[0-9]+ (passed|failed)|(passed|failed|error).* in ' "$OUT/$release.log" | tail -1 | sed 's/ in [0-9.]*s.*//; s/=//g')" \
        $(( ($(date +%s) - start) / 60 )) $(( ($(date +%s) - start) % 60 )) >>"$OUT/table.md"
    return $rc
}

printf '| QGIS | Debian, Qt, Python, PROJ, GDAL, pyproj, numpy | tests | time |\n|---|---|---|---|\n' >"$OUT/table.md"
failed=0
for release in "${RELEASES[@]}"; do
    echo "QGIS $release: log in $OUT/$release.log" >&2
    make_debian "$release"
    run_tests "$release" "$@" || { failed=1; tail -n 15 "$OUT/$release.log" >&2; }
    release_debian "$release"
done
cat "$OUT/table.md"
figures=()
for release in "${RELEASES[@]}"; do figures+=("$OUT/$release.json"); done
python3 "$ROOT/tests/same_figures.py" --compare "${figures[@]}" || failed=1
exit $failed
