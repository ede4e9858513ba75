# One environment in .venv; two commands for people: `make demo` and `make test`.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
SHELL := /bin/bash

.PHONY: system demo test lint types layers unit bench lock clean help

help:
	@echo "make demo   run the main job on an invented site (installs what it needs)"
	@echo "make test   lint, types, layers and tests (installs what it needs)"
	@echo "make bench  speed as ratios against named references"
	@echo "make lock   renew requirements/*.lock from pyproject.toml (needs uv)"

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else "Arraywright needs Python 3.11 or newer; found " + sys.version.split()[0] + ". Remedy: make PYTHON=python3.11 ...")'
	$(PYTHON) -m venv $(VENV)

$(VENV)/.run: $(BIN)/python requirements/run.lock pyproject.toml
	$(BIN)/pip install --quiet --disable-pip-version-check --require-hashes -r requirements/run.lock
	$(BIN)/pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $@

$(VENV)/.test: $(VENV)/.run requirements/test.lock
	$(BIN)/pip install --quiet --disable-pip-version-check --require-hashes -r requirements/test.lock
	@touch $@

# Tests of pages drive Chromium, tests of the record also run on PostgreSQL: Debian's packages.
system:
	@missing=""; \
	command -v chromium >/dev/null || missing="$$missing chromium"; \
	ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1 || missing="$$missing postgresql-15"; \
	if [ -z "$$missing" ]; then exit 0; fi; \
	if [ "$$(id -u)" != 0 ]; then echo "The tests need Debian's packages:$$missing. Install them: apt-get install$$missing"; exit 1; fi; \
	apt-get update -q && DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends $$missing

demo: $(VENV)/.run
	$(BIN)/arraywright demo demo-site

test: lint types layers unit

lint: $(VENV)/.test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(VENV)/.test
	$(BIN)/mypy

layers: $(VENV)/.test
	$(BIN)/lint-imports

unit: system $(VENV)/.test
	OPENBLAS_NUM_THREADS=1 $(BIN)/pytest -n 2

bench: $(VENV)/.test
	$(BIN)/python -m benchmarks

lock:
	uv pip compile -q --universal --python-version 3.11 --generate-hashes --no-header --no-annotate pyproject.toml --group build -o requirements/run.lock
	uv pip compile -q --universal --python-version 3.11 --generate-hashes --no-header --no-annotate pyproject.toml --group build --group test -c requirements/run.lock -o requirements/test.lock

clean:
	rm -rf $(VENV) demo-site build dist .mypy_cache .ruff_cache .pytest_cache .hypothesis
