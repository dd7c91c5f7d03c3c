# Two commands do all the set-up: `make demo` and `make test`. Each makes its own environment in
# .venv; on Debian-like systems where Python lacks its venv module, that package is installed when
# this runs as root. The same on Windows: see README.md.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/ready

.PHONY: demo test lint bench clean

demo: $(READY)
	$(BIN)/python recordings/demo.py

test: $(READY)
	$(BIN)/python -m pytest

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: $(READY)
	$(BIN)/python -m benchmarks

$(READY): pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "unhurried needs Python 3.11 or newer; set PYTHON=/path/to/python3.11" >&2; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null \
	  || { [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null \
	       && apt-get update -q && apt-get install -qy python3-venv; } \
	  || { echo "Python's venv module is missing (Debian, Ubuntu: sudo apt install python3-venv)" >&2; exit 1; }
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev]'
	@touch $(READY)

clean:
	rm -rf $(VENV) .cache recordings/generated benchmarks/results
