# Sourced by the scripts: a virtual environment in .venv, installed from the lock, made anew only when the lock changes.
# Not a command of its own.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

# A Debian package for what is missing: installed where this may be done, named where not.
debian_package() {
  if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
    export DEBIAN_FRONTEND=noninteractive
    without_its_service "$1" apt-get install -y -qq "$1" >/dev/null 2>&1 ||
      { apt-get update -qq && without_its_service "$1" apt-get install -y -qq "$1"; } >/dev/null
  else
    echo "Install the package $1: $2." >&2
    exit 1
  fi
}

# Runs an installation in which no service is started (policy-rc.d, Debian policy 9.3.3), nor is one at the next boot: a
# broker of the system would take port 1883, and nobody has asked for one.
without_its_service() {
  local policy=/usr/sbin/policy-rc.d code=0
  if [ -e "$policy" ]; then
    policy=
  else
    printf '#!/bin/sh\nexit 101\n' > "$policy" && chmod 755 "$policy"
  fi
  "${@:2}" || code=$?
  [ -z "$policy" ] || rm -f "$policy"
  if [ "$code" = 0 ] && command -v systemctl >/dev/null 2>&1; then
    systemctl disable --quiet "$1.service" >/dev/null 2>&1 || true
  fi
  return "$code"
}

# Debian keeps the part of Python that makes virtual environments in a package of its own.
python_for_venv() {
  if ! python3 -c 'import ensurepip' 2>/dev/null; then
    debian_package python3-venv "without it python3 makes no virtual environment"
  fi
  if ! python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then
    echo "python3 is $(python3 -c 'import platform; print(platform.python_version())'); benchd needs 3.11 or later." >&2
    exit 1
  fi
}

stamp=.venv/.installed
want=$(sha256sum requirements.lock pyproject.toml | sha256sum | cut -d' ' -f1)
if [ ! -e "$stamp" ] || [ "$(cat "$stamp")" != "$want" ]; then
  echo "Installing into .venv (once; about half a minute) ..." >&2
  if command -v uv >/dev/null 2>&1; then
    uv venv --quiet --allow-existing .venv >&2
    uv pip sync --quiet --python .venv/bin/python --require-hashes requirements.lock >&2
    uv pip install --quiet --python .venv/bin/python --no-deps --editable . >&2
  else
    python_for_venv
    python3 -m venv .venv >&2
    .venv/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock >&2
    .venv/bin/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable . >&2
  fi
  echo "$want" > "$stamp"
fi
