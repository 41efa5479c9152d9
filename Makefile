# Everything runs in .venv, which the first target to need it makes; only Python >= 3.11 and pip are needed.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
export OMP_NUM_THREADS := 1
export OPENBLAS_NUM_THREADS := 1

.PHONY: demo test bench lint format lock clean setup

setup: $(VENV)/.ready

$(VENV)/.ready: requirements.lock pyproject.toml
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Earwitness needs Python 3.11 or newer; try make PYTHON=python3.12")'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --no-deps --no-build-isolation -e .
	$(BIN)/earwitness prepare
	touch $@

demo: setup  ## make an invented scene, survey it, leave a report to open
	$(BIN)/earwitness demo --station demo-station

test: setup lint  ## lint, types, layering, then all tests
	$(BIN)/python -m pytest -n 2

lint: setup
	$(BIN)/ruff check src tests benchmarks tools
	$(BIN)/ruff format --check src tests benchmarks tools
	$(BIN)/mypy
	$(BIN)/lint-imports

format: setup
	$(BIN)/ruff check --fix src tests benchmarks tools
	$(BIN)/ruff format src tests benchmarks tools

bench: setup  ## every benchmark: our figure, the limit, the ratio
	set -e; for file in benchmarks/bench_*.py; do echo "== $$file"; $(BIN)/python $$file; done

lock:  ## pin all dependencies anew (needs uv)
	uv pip compile --quiet --universal --generate-hashes --no-emit-index-url --no-annotate --extra dev --extra parquet \
	  --python-version 3.11 pyproject.toml -o requirements.lock

clean:
	rm -rf $(VENV) demo-station build dist
