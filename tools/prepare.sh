# Source this in bash: it gives the functions that install what the project needs, and QGIS's
# command line with the plugin enabled. Nothing happens before a function is called.
#
#   prepare_core    what the core needs: numpy, pyproj, scipy, jinja2, and a Python environment
#   prepare_qgis    that and QGIS
#   prepare_tests   that and what the tests need beyond QGIS
#   qgis_process    QGIS's own command with Sitetie enabled, in a profile of its own
#
# It sets ROOT (the checkout), PYTHON (the environment's interpreter) and PLUGINS (a folder in
# which the checkout is called `sitetie`, whatever its own name is).

ROOT="$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd -P)"
VENV="$ROOT/.venv"
PYTHON="$VENV/bin/python"
PLUGINS="$VENV/plugins"

CORE_PACKAGES=(ca-certificates python3 python3-venv python3-numpy python3-pyproj python3-scipy
    python3-jinja2 proj-data)
QGIS_PACKAGES=(qgis python3-qgis qgis-providers fonts-dejavu-core)
TEST_PACKAGES=(git xvfb xauth poppler-utils python3-statsmodels gdal-bin python3-gdal proj-bin
    postgresql-postgis)

say() { printf '%s\n' "$*" >&2; }
die() { say "$*"; exit 1; }

prepare_core() {
    _install_packages "${CORE_PACKAGES[@]}"
    _make_environment
}

prepare_qgis() {
    _install_packages "${CORE_PACKAGES[@]}" "${QGIS_PACKAGES[@]}"
    _make_environment
    _quiet_qt
}

prepare_tests() {
    _install_packages "${CORE_PACKAGES[@]}" "${QGIS_PACKAGES[@]}" "${TEST_PACKAGES[@]}"
    _make_environment
    _quiet_qt
    pip_install tests/requirements.txt pytest pytest_qgis
}

# pip_install FILE MODULE...: installs the requirements in FILE (relative to ROOT) once. Without a
# network it is enough that the modules can be imported.
pip_install() {
    local requirements="$ROOT/$1" stamp="$VENV/installed-${1//\//-}" module
    shift
    if cmp -s "$requirements" "$stamp"; then return; fi
    say "Installing $(basename "$requirements") into .venv"
    if "$PYTHON" -m pip install --quiet --disable-pip-version-check -r "$requirements" >&2; then
        cp "$requirements" "$stamp"
        return
    fi
    for module in "$@"; do
        "$PYTHON" -c "import importlib.util as u, sys; sys.exit(u.find_spec('$module') is None)" ||
            die "Python's $module is missing and could not be installed. Is there a network?"
    done
    say "pip failed; going on with what is installed."
}

# Arguments go to QGIS's own qgis_process. The user's QGIS profile is not touched.
qgis_process() {
    local command profile="$VENV/profile"
    # Debian 12's wrapper passes an option that its program refuses; the program itself works.
    command="$(command -v qgis_process.bin || command -v qgis_process)" ||
        die "qgis_process is not installed; it comes with QGIS."
    if [ ! -e "$profile/enabled" ]; then
        mkdir -p "$profile"
        _in_profile "$command" plugins enable sitetie >"$profile/enable.log" 2>&1 ||
            { cat "$profile/enable.log" >&2; die "QGIS could not enable the plugin."; }
        touch "$profile/enabled"
    fi
    _in_profile "$command" "$@"
}

_in_profile() {
    QGIS_CUSTOM_CONFIG_PATH="$VENV/profile" QGIS_PLUGINPATH="$PLUGINS" "$@"
}

_install_packages() {
    local missing=() package
    if ! command -v dpkg-query >/dev/null; then
        say "This is no Debian: install these yourself, under your system's names: $*"
        return
    fi
    for package in "$@"; do
        case "$(dpkg-query -W -f='${db:Status-Status}' "$package" 2>/dev/null)" in
            installed) ;;
            *) missing+=("$package") ;;
        esac
    done
    if [ ${#missing[@]} -eq 0 ]; then return; fi
    local log="$ROOT/build/apt.log" as_root=(env DEBIAN_FRONTEND=noninteractive)
    if [ "$(id -u)" -ne 0 ]; then
        command -v sudo >/dev/null || die "Run this as root, or install sudo."
        as_root=(sudo "${as_root[@]}")
    fi
    mkdir -p "$ROOT/build"
    say "Installing ${missing[*]} and what they need; this takes some minutes. Log: $log"
    "${as_root[@]}" apt-get update -q >"$log" 2>&1 ||
        say "apt-get update failed; trying with the old lists."
    if ! "${as_root[@]}" apt-get install -q -y --no-install-recommends "${missing[@]}" \
        >>"$log" 2>&1 </dev/null; then
        tail -n 20 "$log" >&2
        die "apt-get could not install ${missing[*]}."
    fi
}

# The environment sees the system's packages, because QGIS's bindings belong to the system's
# Python and its numpy. It is made again when the checkout or the interpreter has moved on.
_make_environment() {
    _utf8_locale
    local site made_for stamp="$VENV/made-for"
    made_for="$ROOT $(/usr/bin/python3 -V)"
    if [ "$(cat "$stamp" 2>/dev/null)" = "$made_for" ]; then return; fi
    say "Making the Python environment .venv"
    rm -rf "$VENV"
    /usr/bin/python3 -m venv --system-site-packages "$VENV" || die "The environment was not made."
    mkdir "$PLUGINS"
    ln -s ../.. "$PLUGINS/sitetie"
    site="$("$PYTHON" -c 'import sysconfig; print(sysconfig.get_path("purelib"))')"
    # Debian's pyproj does not find PROJ's data from within an environment; the second line tells.
    printf '%s\n' "$PLUGINS" \
        'import os; os.path.exists("/usr/share/proj/proj.db") and os.environ.setdefault("PROJ_DATA", "/usr/share/proj")' \
        >"$site/sitetie.pth"
    printf '%s' "$made_for" >"$stamp"
}

_utf8_locale() {
    case "$(locale charmap 2>/dev/null)" in
        UTF-8) ;;
        *) export LC_ALL=C.UTF-8 ;;
    esac
}

# No screen is needed; QT_QPA_PLATFORM set by the caller wins.
_quiet_qt() {
    export QT_QPA_PLATFORM="${QT_QPA_PLATFORM:-offscreen}"
    if [ -z "${XDG_RUNTIME_DIR:-}" ]; then
        export XDG_RUNTIME_DIR="$VENV/runtime"
        mkdir -p -m 700 "$XDG_RUNTIME_DIR"
    fi
}
