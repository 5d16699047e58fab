# Two commands for a fresh machine with Python 3.11+ and make: `make demo` and `make test`.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
ifeq ($(OS),Windows_NT)
BIN := $(VENV)/Scripts
endif
SCRATCH ?= scratch

.PHONY: demo test test-long check bench clean

$(VENV)/.installed-run: pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet -e .
	touch $@

$(VENV)/.installed-test: pyproject.toml $(VENV)/.installed-run
	$(BIN)/python -m pip install --quiet -e '.[test]'
	touch $@

$(VENV)/.installed-bench: pyproject.toml $(VENV)/.installed-test
	$(BIN)/python -m pip install --quiet -e '.[bench]'
	touch $@

demo: $(VENV)/.installed-run
	$(BIN)/python -m demo_shoot.tour $(SCRATCH)/demo

check: $(VENV)/.installed-test
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy

test: check
	$(BIN)/python -m pytest -n 2 --dist loadgroup -m "not long" -ra

test-long: $(VENV)/.installed-test
	$(BIN)/python -m pytest -m long -ra

bench: $(VENV)/.installed-bench
	$(BIN)/python -m benchmarks

clean:
	rm -rf $(VENV) $(SCRATCH)
