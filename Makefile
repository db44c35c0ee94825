# Every target works right after cloning: it makes .venv with the pinned packages of requirements.lock
# first, and again only when requirements.lock or pyproject.toml change.

VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready

.PHONY: help demo test test-all lint types docs docs-check bench mutate lock clean

help:
	@echo "make demo      the whole job on the sample town, into demo_output/"
	@echo "make test      lint, types, docs and the quick tests"
	@echo "make test-all  the same with the slow tests and the notebooks"
	@echo "make lint      ruff and mypy"
	@echo "make docs      write docs/reference from the code"
	@echo "make bench     speed against bare reading and writing and a plain script"
	@echo "make mutate    ten thousand spoilt inputs, half an hour; SEED=2 draws others"
	@echo "make lock      pin the newest packages in requirements.lock (needs uv)"

demo: $(READY)
	$(BIN)/screening demo --out demo_output

test: lint docs-check
	$(BIN)/python -m pytest -q -n auto -m "not slow"

test-all: lint docs-check
	$(BIN)/python -m pytest -q -n auto

lint: $(READY)
	$(BIN)/python -m ruff format --check .
	$(BIN)/python -m ruff check .
	$(BIN)/python -m mypy

docs: $(READY)
	$(BIN)/python docs/generate.py

docs-check: $(READY)
	$(BIN)/python docs/generate.py --check

bench: $(READY)
	$(BIN)/python benchmarks/bench.py

mutate: $(READY)
	$(BIN)/python -m tests.mutations --n 10000 --seed $(or $(SEED),1)

lock:
	UV_CUSTOM_COMPILE_COMMAND="make lock" uv pip compile --quiet --upgrade --universal --fork-strategy fewest \
	  --python-version 3.11 --extra dev --generate-hashes --output-file requirements.lock pyproject.toml

clean:
	rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .hypothesis build dist

# The first Python that really starts and is new enough; a .venv of an older one is made anew.
$(READY): requirements.lock pyproject.toml
	@set -e; \
	fits='import sys; raise SystemExit(not (3, 11) <= sys.version_info[:2] <= (3, 13))'; \
	if ! $(BIN)/python -c "$$fits" >/dev/null 2>&1; then \
	  for python in python3.13 python3.12 python3.11 python3 none; do \
	    if [ $$python = none ]; then \
	      echo "Python 3.11, 3.12 or 3.13 is needed and none was found; install one and try again" >&2; exit 1; \
	    fi; \
	    if $$python -c "$$fits" >/dev/null 2>&1; then break; fi; \
	  done; \
	  echo "making $(VENV) with $$($$python --version)"; \
	  rm -rf $(VENV); \
	  $$python -m venv $(VENV) || { \
	    echo "$$python cannot make virtual environments; on Debian and Ubuntu: apt install python3-venv" >&2; exit 1; }; \
	fi
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
	@touch $@
