# Two commands do all the set-up: `make demo` and `make test`. Each makes its own environment in
# .venv; on Debian-like systems where Python lacks its venv module, that package is installed when
# this runs as root. The same on Windows: see README.md.

PYTHON ?= python3

# What the tests drive for real, as command:packages: a private bus and a sound server, a browser,
# and JavaScript packages. Installed when this runs as root on a Debian-like system; otherwise the
# tests that need them are skipped with the reason.
PARTS := dbus-daemon:dbus pulseaudio:pulseaudio parec:pulseaudio-utils ffmpeg:ffmpeg \
  chromium-headless-shell:chromium-headless-shell npm:npm
LIBRARIES := libportaudio2 libasound2-plugins
LIVE := tests/sensor tests/unhurried
SOUND := tests/feedback
OTHERS := $(filter-out $(LIVE) $(SOUND) tests/conftest.py tests/shared tests/__pycache__,$(wildcard tests/*))
TWO := -n 2 --dist loadfile
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/ready

.PHONY: demo test lint bench clean system

demo: $(READY)
	$(BIN)/python recordings/demo.py

# Two processes at a time, and one for sound, which has to be on time. Live links and whole
# programs keep away from the browser, which takes all it gets. `python -m pytest` runs all in one.
test: $(READY) system
	$(BIN)/python -m pytest $(TWO) $(OTHERS)
	$(BIN)/python -m pytest $(TWO) $(LIVE)
	$(BIN)/python -m pytest $(SOUND)

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: $(READY)
	$(BIN)/python -m benchmarks

system:
	@missing=; \
	for part in $(PARTS); do \
	  command -v $${part%%:*} >/dev/null || missing="$$missing $${part##*:}"; \
	done; \
	for library in $(LIBRARIES); do \
	  dpkg -s $$library >/dev/null 2>&1 || missing="$$missing $$library"; \
	done; \
	if [ -z "$$missing" ]; then :; \
	elif [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
	  apt-get update -q >/dev/null \
	  && for some in "$$missing" "$$(echo "$$missing" | sed s/-headless-shell//)"; do \
	    DEBIAN_FRONTEND=noninteractive apt-get install -qy --no-install-recommends $$some >/dev/null && break; \
	  done \
	  || echo "could not install$$missing: the tests that need them are skipped" >&2; \
	else \
	  echo "not installed:$$missing (Debian, Ubuntu: sudo apt install$$missing)" >&2; \
	fi

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
