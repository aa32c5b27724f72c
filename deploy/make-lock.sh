#!/usr/bin/env bash
# Writes the locks anew: deploy/requirements.lock, every package that filmcall runs on;
# deploy/build.lock, the tool that builds it from a checkout; and one for each of the extras that
# install.sh takes by --with, with the versions of requirements.lock. Each package in one version,
# with the hashes of all its files on PyPI. A lock serves Python 3.11 and later on every processor, since it is
# resolved for all platforms at once.
#
#     deploy/make-lock.sh             newest versions that pyproject.toml allows
#     deploy/make-lock.sh --keep      versions of the present locks wherever they still fit
#     deploy/make-lock.sh --check     changes nothing; fails where pyproject.toml has moved on
#
# It asks PyPI, and only PyPI, through uv, which it installs into an environment that is thrown
# away. The script itself needs Python 3.11 or later.
set -euo pipefail

here=$(cd -- "$(dirname -- "${BASH_SOURCE[0]}")" && pwd)
mode=${1:-}
case $mode in
    '' | --keep | --check) ;;
    *)
        printf 'make-lock.sh: %s is not --keep or --check; nothing is done.\n' "$mode" >&2
        exit 2
        ;;
esac

tmp=$(mktemp -d)
trap 'rm -rf -- "$tmp"' EXIT

# What is asked for stands in pyproject.toml alone.
python3 - "$here/../pyproject.toml" "$tmp" <<'PY'
import sys
import tomllib
from pathlib import Path

project = tomllib.loads(Path(sys.argv[1]).read_text("utf-8"))
extras = project["project"]["optional-dependencies"]
for name, wanted in (
    ("requirements", project["project"]["dependencies"]),
    ("build", project["build-system"]["requires"]),
    *((name, extras[name]) for name in ("alarms", "page", "ship")),
):
    Path(sys.argv[2], f"{name}.in").write_text("\n".join(wanted) + "\n", "utf-8")
PY

python3 -m venv "$tmp/venv"
"$tmp/venv/bin/python" -m pip --quiet --disable-pip-version-check install uv

for name in requirements build alarms page ship; do
    lock=$here/$name.lock
    beside=()
    case $name in
        alarms | page | ship) beside=(--constraint requirements.lock) ;;
    esac
    if [ "$mode" != '' ] && [ -e "$lock" ]; then
        cp -- "$lock" "$tmp/$name.lock"
    fi
    (
        cd -- "$tmp"
        env -u UV_INDEX -u UV_EXTRA_INDEX_URL -u UV_FIND_LINKS \
            ./venv/bin/uv pip compile --quiet --no-config --no-cache --universal \
            --python-version 3.11 --generate-hashes --default-index https://pypi.org/simple \
            --custom-compile-command 'deploy/make-lock.sh' \
            "${beside[@]}" --output-file "$name.lock" "$name.in" >/dev/null
    )
    if [ "$mode" != --check ]; then
        install -m 644 -- "$tmp/$name.lock" "$lock"
        printf 'make-lock.sh: %s.lock written, %s lines of packages.\n' \
            "$name" "$(grep -c '==' "$lock")"
    elif ! cmp -s -- "$lock" "$tmp/$name.lock"; then
        printf 'make-lock.sh: %s.lock does not fit pyproject.toml; run deploy/make-lock.sh --keep.\n' \
            "$name" >&2
        exit 1
    fi
done
