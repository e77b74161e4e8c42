# make demo      sets up .venv with the core (no Qt), measures the shipped sample, says where the results are
# make view      sets up the desk and opens the sample run
# make test      sets up everything the tests need, runs them all, ends with pytest's summary
# make test-desk | lint | types | contracts | bench | samples | generated | screenshots | clean-results
#
# Needs python3 (3.11 or newer) with pip, and make. Works on a bare Debian 12, where Python has no ensurepip and pip refuses
# to touch the system: the environment is made without pip and filled from outside by the system's pip. What is already
# set up is used again; the stamps in .venv say what that is.

VENV := .venv
PY := $(VENV)/bin/python
OUT ?= results/demo

.DEFAULT_GOAL := help
.PHONY: help demo view test test-desk lint types contracts bench samples generated screenshots clean-results core tests-ready

help:
	@sed -n '1,4s/^# //p' Makefile

# --- set-up ----------------------------------------------------------------------------------------------------------

$(VENV)/.made:
	@.ci/environment make $(VENV)
	@touch $@

$(VENV)/.core: $(VENV)/.made pyproject.toml
	@.ci/environment install $(VENV) .
	@.ci/system_packages core $(VENV)
	@touch $@

$(VENV)/.tests: $(VENV)/.made pyproject.toml
	@.ci/environment install $(VENV) '.[desk-test]'
	@.ci/system_packages core $(VENV)
	@touch $@ $(VENV)/.core

$(VENV)/.desk: $(VENV)/.made pyproject.toml
	@.ci/environment install $(VENV) '.[desk]'
	@.ci/system_packages desk $(VENV)
	@touch $@ $(VENV)/.core

core: $(VENV)/.core
tests-ready: $(VENV)/.tests
	@.ci/system_packages tests $(VENV)

# --- the two commands --------------------------------------------------------------------------------------------------

demo: core
	@$(PY) -m ui.cli demo --out $(OUT)

# The desk, on the shipped run or on a file of yours: make view FILE=cine.dcm
FILE ?= sample_images/filling_run.dcm
view: $(VENV)/.desk
	@$(PY) -m ui.cli view $(FILE)

# The desk's tests run first, in a process of their own: a crash of the graphics stack must not take the numbers with
# it. Their reports are replayed into the second process, so that one summary and one exit code speak for all. That one
# shares the other tests out over the cores, file by file, for what a file has drawn serves all its tests; each process
# counts with one core, or they wait for one another.
test: tests-ready
	@.ci/desk_tests $(VENV)
	@OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(PY) -m pytest --replay=build/desk.jsonl -n auto --dist loadfile $(PYTEST_ARGS)

test-desk: tests-ready
	@.ci/desk_tests $(VENV)

# --- checks ------------------------------------------------------------------------------------------------------------

lint: tests-ready
	$(VENV)/bin/ruff check .
	$(VENV)/bin/ruff format --check .

types: tests-ready
	$(VENV)/bin/mypy

contracts: tests-ready
	$(VENV)/bin/lint-imports

# --- what is measured and made again -----------------------------------------------------------------------------------

bench: tests-ready
	@set -e; for script in tests/bench/bench_*.py; do echo "== $$script"; $(PY) $$script; done

samples: core
	$(PY) -m qca.phantom.samples sample_images

# tables and help in README.md, JSON Schemas in qca/documents/
generated: core
	$(PY) .ci/generated.py

screenshots: tests-ready
	.ci/with_display $(PY) tests/desk/screenshots.py

clean-results:
	rm -rf results build
