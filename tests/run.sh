#!/usr/bin/env bash
# Installs what the tests need and runs them.
#
#   bash tests/run.sh              all tests
#   bash tests/run.sh core         the core's tests, without QGIS
#   bash tests/run.sh lint         ruff and mypy
#   bash tests/run.sh ARGUMENTS    pytest with these arguments
set -euo pipefail
source "$(dirname "${BASH_SOURCE[0]}")/../tools/prepare.sh"
cd "$ROOT"

case "${1:-}" in
    core)
        prepare_core
        pip_install tests/core/requirements.txt pytest
        exec "$PYTHON" -m pytest -p no:pytest_qgis tests/core "${@:2}"
        ;;
    lint)
        prepare_core
        pip_install tools/requirements.txt ruff mypy
        "$PYTHON" -m ruff check .
        MYPYPATH="$PLUGINS" "$PYTHON" -m mypy -p sitetie.core -p sitetie.plugin
        ;;
    *)
        prepare_tests
        exec "$PYTHON" -m pytest "$@"
        ;;
esac
