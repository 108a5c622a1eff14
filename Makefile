# Two commands for people: make run, make test. Everything else is for contributors.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

.DEFAULT_GOAL := help
.PHONY: help install run test quick check bench audit faults lock clean

help: ## this list
	@grep -hE '^[a-z]+:.*##' Makefile | sed -E 's/:.*## /\t/' | expand -t 12

$(VENV)/.installed: requirements-dev.lock pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/pip install --quiet --disable-pip-version-check --require-hashes -r requirements-dev.lock
	$(BIN)/pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@$(BIN)/python -m dashboard.drawing
	@touch $@

install: $(VENV)/.installed ## everything from the lock, into .venv

run: install ## the whole demo: broker, devices, ingester, dashboard; Ctrl-C ends it
	$(BIN)/tricklebook run

test: install ## every test, with the real broker and browser
	$(BIN)/pytest

quick: install ## the tests that take less than ten seconds each
	$(BIN)/pytest -m "not slow"

check: install ## lint, types, import rules
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: install ## every benchmark, as ratios in one run
	$(BIN)/python -m benchmarks

audit: install ## known holes in what the program runs on
	$(BIN)/pip-audit --disable-pip --require-hashes -r requirements.lock

faults: install ## the whole fault suite
	$(BIN)/pytest tests/faults --faults=full

COMPILE := $(BIN)/pip-compile --quiet --allow-unsafe --generate-hashes --strip-extras --no-header \
	--no-emit-index-url --no-emit-trusted-host --no-emit-find-links --extra build --extra demo --extra paper \
	--extra export --extra cluster

lock: install ## write both locks anew from pyproject.toml
	$(COMPILE) --upgrade -o requirements.lock pyproject.toml
	$(COMPILE) --upgrade --extra dev -o requirements-dev.lock pyproject.toml

clean: ## what can be made again
	rm -rf $(VENV) demo-data .mypy_cache .ruff_cache .pytest_cache .hypothesis
