# Two commands do all the set-up: `make demo` installs what the program needs, `make test` also what
# developers need. Both make the environment in .venv; on Debian-like systems where Python lacks its venv module, that package is installed when
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
OTHERS := tests/analysis tests/library tests/review tests/simulation tests/words $(wildcard tests/test_*.py)
# For daily work: rules and arithmetic, and the demo's figures byte for byte. What takes more than
# some seconds, or drives something real, is left out.
FAST := tests/analysis tests/feedback tests/library tests/sensor tests/unhurried/app \
  tests/unhurried/test_help.py tests/unhurried/test_hidden.py \
  tests/unhurried/commands/test_golden.py tests/test_rooms.py tests/test_dependencies.py
NOT_FAST := $(addprefix tests/analysis/swing/test_,accuracy.py calibration.py finder.py live_turn.py \
    own_strikes.py physics.py real_recordings.py) \
  $(addprefix tests/analysis/evidence/test_,compare.py contrast.py outcome.py plan.py reading.py) \
  $(addprefix tests/feedback/test_,endtoend.py latency.py outputs.py quiet.py stage.py) \
  $(addprefix tests/library/test_,bundle.py library.py) tests/sensor/calibration \
  tests/sensor/firmware tests/sensor/recording/test_csvfile.py \
  tests/sensor/recording/test_timebase.py $(addprefix tests/sensor/link/test_,bumble.py decode.py \
    live.py radio.py source.py wearing.py) \
  $(addprefix tests/unhurried/app/test_,connections.py ingest.py printed.py)
TWO := -n 2 --dist loadfile
VENV := .venv
BIN := $(VENV)/bin
PROGRAM := $(VENV)/program
READY := $(VENV)/ready
LOCKED := dependencies/locked.txt
FAILED := $(CURDIR)/.cache/failed
PARTS_TOOK := .cache/parts

.PHONY: docs demo test test-fast lint bench budgets clean system

demo: $(PROGRAM)
	@$(BIN)/python recordings/demo.py

# Two processes at a time, and one for sound, which has to be on time. Live links and whole
# programs keep away from the browser, which takes all it gets. All parts run whatever fails, and all
# that failed is told at the end. `python -m pytest` runs all in one.
test: $(READY) system
	@mkdir -p .cache; rm -f $(FAILED) $(PARTS_TOOK); \
	for part in "others $(TWO) $(OTHERS)" "live $(TWO) $(LIVE)" "sound $(SOUND)"; do \
	  start=$$(date +%s); what="$${part#* }"; \
	  FAILURES=$(FAILED) $(BIN)/python -m pytest $$what || echo "in: pytest $$what" >> $(FAILED); \
	  echo "$${part%% *} $$(($$(date +%s) - start))" >> $(PARTS_TOOK); \
	done; \
	test ! -e $(FAILED) || { echo "failed, of all parts:"; cat $(FAILED); exit 1; } >&2

# For daily work; tests/README.md says what it leaves out.
test-fast: $(READY)
	$(BIN)/python -m pytest -q $(TWO) -m "not slow" $(addprefix --ignore=,$(NOT_FAST)) $(FAST)

# The manual, into the package: what *Help* on the page and `unhurried help` open.
docs: $(READY)
	$(BIN)/python docs/write.py
	$(BIN)/python -c 'from pathlib import Path; import hatch_build as h; h.build(Path("."), Path(h.PLACE))'

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-logo

bench: $(READY)
	$(BIN)/python -m benchmarks

# What must not creep up; fails only where something is clearly beyond its budget.
budgets: $(READY)
	$(BIN)/python -m benchmarks.budgets

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

$(PROGRAM): pyproject.toml $(LOCKED)
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "unhurried needs Python 3.11 or newer; set PYTHON=/path/to/python3.11" >&2; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null \
	  || { [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null \
	       && apt-get update -q && apt-get install -qy python3-venv; } \
	  || { echo "Python's venv module is missing (Debian, Ubuntu: sudo apt install python3-venv)" >&2; exit 1; }
	@echo "Setting up in $(VENV): about 550 MB, one to three minutes the first time ..."
	@$(PYTHON) -m venv $(VENV)
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint $(LOCKED) --editable .
	@touch $(PROGRAM)

# Not before the program, so that a demo beforehand is no work done twice.
$(READY): $(PROGRAM)
	@echo "Setting up what the tests need: about 700 MB more, some minutes the first time ..."
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint $(LOCKED) --editable '.[dev]'
	@touch $(READY)

clean:
	rm -rf $(VENV) .cache recordings/generated benchmarks/results
