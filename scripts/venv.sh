# Sourced by the scripts: a virtual environment in .venv, installed from the lock, made anew only when the lock changes.
# Not a command of its own.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
stamp=.venv/.installed
want=$(sha256sum requirements.lock pyproject.toml | sha256sum | cut -d' ' -f1)
if [ ! -e "$stamp" ] || [ "$(cat "$stamp")" != "$want" ]; then
  echo "Installing into .venv (once; about half a minute) ..." >&2
  if command -v uv >/dev/null 2>&1; then
    uv venv --quiet --allow-existing .venv >&2
    uv pip sync --quiet --python .venv/bin/python --require-hashes requirements.lock >&2
    uv pip install --quiet --python .venv/bin/python --no-deps --editable . >&2
  else
    python3 -m venv .venv >&2
    .venv/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock >&2
    .venv/bin/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable . >&2
  fi
  echo "$want" > "$stamp"
fi
