# Everything runs in .venv, made from the hash-pinned lock. make demo shows it; make check while you work (a minute),
# make test before a change goes in (nine minutes on two cores), make soak before a release (hours).
PY ?= python3
JOBS ?= auto
# Tests are dealt out among the cores; who has none left takes of another's.
SPREAD := -n $(JOBS) --dist worksteal
# Translated once, not by every process of a test run (whatever the shell has; empty is "keep what was translated").
export PYTHONDONTWRITEBYTECODE :=
UV := .tools/bin/uv
BIN := .venv/bin

.PHONY: demo check test lint coverage bench soak lock clean setup

demo: .venv/.stamp
	@sh .ci/system-packages render
	@$(BIN)/reportgen demo

check: lint
	$(BIN)/python -m pytest $(SPREAD) -m "not soak and not slow and not browser"

test: .venv/.stamp
	@sh .ci/system-packages test
	$(BIN)/python -m pytest $(SPREAD) -m "not soak"

lint: .venv/.stamp
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

# One figure, and the twenty files with the largest share that no test of 'make test' runs.
coverage: .venv/.stamp
	@sh .ci/system-packages test
	$(BIN)/python -m pytest $(SPREAD) -m "not soak" --cov --cov-report=
	@$(BIN)/coverage report --sort=cover --skip-covered | head -n 22
	@echo "covered: $$($(BIN)/coverage report --format=total) % of statements and branches"

bench: .venv/.stamp
	$(BIN)/python -m tests.bench

soak: .venv/.stamp
	@sh .ci/system-packages test
	$(BIN)/python -m pytest -m soak

setup: .venv/.stamp

lock: $(UV)
	$(UV) pip compile pyproject.toml --group dev --extra cluster --generate-hashes --universal --python-version 3.11 --no-header -q -o requirements.lock

$(UV):
	@$(PY) -m pip --version >/dev/null 2>&1 || { echo "reportgen: $(PY) has no pip. Install it first: apt-get install python3-pip"; exit 1; }
	$(PY) -m pip install --quiet --disable-pip-version-check --root-user-action=ignore --target .tools "uv==0.13.9"

.venv/.stamp: $(UV) pyproject.toml requirements.lock
	$(UV) venv --quiet --clear --python $(PY) .venv
	$(UV) pip install --quiet --compile-bytecode --python $(BIN)/python --require-hashes -r requirements.lock
	$(UV) pip install --quiet --python $(BIN)/python --no-deps --no-build-isolation -e .
	@$(BIN)/python -m compileall -q reportgen
	@touch $@

clean:
	rm -rf .venv .tools example_logs/*/report
