# Works with GNU make 3.81 and later. Every target sets up .venv by itself, once.
#
#   make demo                      one whole cycle, recorded and judged
#   make test ARGS="-k codec"      with arguments for pytest
#   make test PYTHON=python3.12    with another Python than the first suitable one found

VENV := .venv
EXPLORE := 20
BIN := $(VENV)/bin
PIP_INSTALL := $(BIN)/python -m pip install --quiet --disable-pip-version-check
CANDIDATES := $(if $(PYTHON),$(PYTHON),python3 python3.13 python3.12 python3.11)
# One stamp for each Python asked for, so that asking for another one makes .venv again.
MADE := $(VENV)/.made$(if $(PYTHON),-with-$(subst /,-,$(PYTHON)))
RUNTIME := $(VENV)/.installed
DEV := $(VENV)/.installed-dev
BOARDS := $(VENV)/.installed-boards

SUPPORTED := import sys; sys.exit(not (3, 11) <= sys.version_info[:2] < (3, 14))
IDENTITY := import sys; print(sys.base_prefix, sys.version_info[:3])

# What every worker and every program of the tests imports is compiled once and kept, whatever the environment says.
# Whole files are dealt to the workers, those that take longest first (tests/dealing.py). Most of the time most of them wait.
PYTEST := PYTHONDONTWRITEBYTECODE= $(BIN)/python -m pytest -n 5 --dist loadfile --no-loadscope-reorder
# These wait for nothing: a worker a core, as each collects them all. What the tests of a file share is cheap to make twice.
IN_PROCESS := -n 2 --dist worksteal

.PHONY: core-fuzz core-sequences simulated-board help demo quick wire faulty test exhaustive explore prove bench soak mutants matrix lint lock clean

help:
	@echo "make demo    run one whole cycle, recorded and judged (needs nothing installed; ARGS=--boards: with firmware for boards)"
	@echo "make quick   run the tests that start no process, broker or browser (ARGS='...' goes to pytest)"
	@echo "make wire    run those that start a process, broker or browser, and the slow ones"
	@echo "make faulty  run those that play the whole suite over a faulty or a legal node or supervisor"
	@echo "make test    run all three            (ARGS='...' goes to pytest)"
	@echo "make exhaustive  the whole of each grid of which 'make test' runs a fixed sample"
	@echo "make explore the tests over generated values with fresh ones, EXPLORE=20 times as many"
	@echo "make prove   explore what supervisor and node can do together, to the end (ARGS=--long: pairs and triples)"
	@echo "make bench   measure speed and sizes"
	@echo "make soak    run the conformance suite 50 times over each reference node, on bad links too (an hour)"
	@echo "make mutants change the code in one place at a time: do the tests notice? (hours; ARGS=--ci: two minutes)"
	@echo "make matrix  run every faulty node and supervisor in its contexts (ARGS='--minutes 10': a part; goes on later)"
	@echo "make lint    ruff, mypy, the import contracts and deptry"
	@echo "make clean   remove .venv and everything else that these targets made"

# With ARGS=--boards firmware for boards plays a part, and its interpreter is installed first.
demo: $(if $(findstring --boards,$(ARGS)),$(BOARDS),$(RUNTIME))
	@$(BIN)/yardwire demo $(ARGS)

# The three parts of 'make test', as CI runs and times them: every test is in one of them.
quick: $(DEV)
	@PYTHONHASHSEED=0 $(PYTEST) $(IN_PROCESS) -m "not wire and not browser and not faulty and not slow and not long and not exhaustive" $(ARGS)

wire: $(DEV)
	@PYTHONHASHSEED=0 $(PYTEST) -m "(wire or browser or slow or long) and not faulty and not exhaustive" $(ARGS)

faulty: $(DEV)
	@PYTHONHASHSEED=0 $(PYTEST) -m "faulty and not exhaustive" $(ARGS)

test: $(DEV)
	@PYTHONHASHSEED=0 YARDWIRE_TIMES=1 $(PYTEST) $(ARGS)

# One process reads all tests, so that what they import is compiled before workers do it side by side.
collect: $(DEV)
	@PYTHONHASHSEED=0 $(PYTEST) -n 0 --collect-only -q > $(VENV)/collected || { cat $(VENV)/collected; exit 1; }
	@tail -n 1 $(VENV)/collected

exhaustive: $(DEV)
	@PYTHONHASHSEED=0 $(PYTEST) -m exhaustive $(ARGS)

# Fresh examples, EXPLORE times as many: what it finds is kept beside its test as an @example.
explore: $(DEV)
	@YARDWIRE_EXPLORE=$(EXPLORE) $(PYTEST) $(ARGS)

prove: $(DEV)
	@PYTHONHASHSEED=0 $(BIN)/python -m tests.proof $(ARGS)

bench: $(DEV)
	@$(BIN)/python -m benchmarks $(ARGS)

# What must always hold in the core in C, under libFuzzer (Debian: clang libclang-rt-14-dev) until stopped.
core-fuzz: $(DEV)
	@$(BIN)/python -m tests.firmware.core_fuzz $(ARGS)

# Sequences of orders, sensors and faults of the link to the core in C, judged, on virtual time (a hundred a second).
core-sequences: $(DEV)
	@PYTHONHASHSEED=0 $(BIN)/python -m tests.firmware.core_sequences $(ARGS)

# A crane or berth as an ATmega328P in simavr, until Ctrl-C (Debian: gcc-avr avr-libc gcc libsimavr-dev).
simulated-board: $(DEV)
	@$(BIN)/python -m tests.firmware.simulate $(ARGS)

soak: $(DEV)
	@$(BIN)/python -m tests.soak $(ARGS)

mutants: $(DEV)
	@PYTHONHASHSEED=0 $(BIN)/python -m tests.mutation $(ARGS)

matrix: $(DEV)
	@PYTHONHASHSEED=0 $(BIN)/python -m tests.matrix $(ARGS)

lint: $(DEV)
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .
	@$(BIN)/mypy
	@$(BIN)/lint-imports
	@$(BIN)/deptry .

# What CI installs, exactly; whoever installs the package gets the ranges of pyproject.toml.
lock: $(DEV)
	@$(PIP_INSTALL) 'uv>=0.9,<1'
	@$(BIN)/uv pip compile --quiet pyproject.toml --extra dev --extra boards --universal --python-version 3.11 \
	  --upgrade --no-header --no-annotate --output-file .ci/requirements.txt

clean:
	rm -rf $(VENV) build dist out .hypothesis .import_linter_cache .mypy_cache .pytest_cache .ruff_cache
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

# A .venv of the right Python is kept; one whose Python is gone, or another one, is made again.
$(MADE):
	@python=; for candidate in $(CANDIDATES); do \
	  if "$$candidate" -c '$(SUPPORTED)' >/dev/null 2>&1; then python=$$candidate; break; fi; \
	done; \
	if [ -z "$$python" ]; then \
	  echo "Yardwire needs Python 3.11, 3.12 or 3.13; none of these is one: $(CANDIDATES)." >&2; \
	  echo "Install one, or name it: make $(MAKECMDGOALS) PYTHON=/path/to/python3.12" >&2; exit 1; \
	fi; \
	if [ "`$(BIN)/python -c '$(IDENTITY)' 2>/dev/null`" != "`$$python -c '$(IDENTITY)'`" ]; then \
	  if ! "$$python" -c 'import ensurepip, venv' >/dev/null 2>&1; then \
	    echo "$$python cannot make a virtual environment: its ensurepip is missing." >&2; \
	    echo "On Debian and Ubuntu: sudo apt install python3-venv, then run make again." >&2; exit 1; \
	  fi; \
	  echo "Setting up $(VENV) with $$python (once)"; \
	  "$$python" -m venv --clear $(VENV) || { rm -rf $(VENV); exit 1; }; \
	fi; \
	touch $(VENV)/.made $@

$(RUNTIME): $(MADE) pyproject.toml
	@echo "Installing what yardwire needs into $(VENV)"
	@$(PIP_INSTALL) --editable .
	@touch $@

$(BOARDS): $(RUNTIME)
	@echo "Installing what plays a board into $(VENV)"
	@$(PIP_INSTALL) --editable '.[boards]'
	@touch $@

$(DEV): $(RUNTIME)
	@echo "Installing what the tests need into $(VENV)"
	@$(PIP_INSTALL) --editable '.[dev]'
	@touch $@
