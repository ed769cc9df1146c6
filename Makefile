# Two commands do everything: `make review` and `make test`.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/ready
QUARTER ?=
DATA ?= data_demo
OUT ?= reports
MINUTES ?= 30

.PHONY: help review example validate test tests doctests notebooks lint jupyter lock fuzz clean

help:
	@echo "make review    the quarterly review of $(DATA) (QUARTER=2026-Q3 for another than the latest)"
	@echo "make test      every test, notebooks included"
	@echo "make example   make reports/example/ again: PDFs and pictures of the demo's review"
	@echo "make validate  holds every printed interval against invented companies of known truth"
	@echo "make lint      ruff and mypy"
	@echo "make jupyter   JupyterLab on the notebooks"
	@echo "make fuzz      files spoiled at random for MINUTES=30: check, plant-time, pages, review"
	@echo "make lock      make requirements.lock again from pyproject.toml"
	@echo "make clean     remove what can be made again"

# Installed anew only when what is to be installed has changed.
$(READY): requirements.lock pyproject.toml
	$(PYTHON) -m venv --clear $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $@

review: $(READY)
	@$(BIN)/plantstats review $(DATA) --out $(OUT) $(if $(QUARTER),--quarter $(QUARTER))

test: tests doctests notebooks

# loadfile: the companies that a file of tests shares are made once, not once a core; tests/conftest.py has the order.
tests: $(READY)
	$(BIN)/python -m pytest -n 2 --dist loadfile --no-loadscope-reorder tests

doctests: $(READY)
	$(BIN)/python -m pytest -q -p no:cacheprovider --doctest-modules plantstats --ignore=plantstats/reporting/notebook.py

# Notebooks that keep no outputs need only run; those of the worked example are compared by tests/test_notebooks.py.
notebooks: $(READY)
	$(BIN)/python -m pytest -p no:cacheprovider -n 2 --dist loadfile --nbval-lax notebooks \
		--ignore=notebooks/13_worked_example.ipynb

example: $(READY)
	$(BIN)/python -m tests.remake_example

validate: $(READY)
	$(BIN)/plantstats validate --out $(OUT)

lint: $(READY)
	$(BIN)/python -m ruff format --check .
	$(BIN)/python -m ruff check .
	$(BIN)/python -m mypy

jupyter: $(READY)
	$(BIN)/jupyter lab notebooks

fuzz: $(READY)
	PLANTSTATS_FUZZ=long $(BIN)/python -m pytest -n 2 tests/records/test_records_fuzz.py
	$(BIN)/python -m tests.fuzz --minutes $(MINUTES)

lock:
	$(PYTHON) -m venv --clear $(VENV)-lock
	$(VENV)-lock/bin/python -m pip install --quiet --disable-pip-version-check "setuptools>=80,<90" ".[test,lint]"
	$(VENV)-lock/bin/python -m pip freeze --all --exclude plantstats --exclude pip > requirements.lock
	rm -rf $(VENV)-lock build plantstats.egg-info

clean:
	rm -rf $(VENV) $(VENV)-lock build plantstats.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
	find . -name __pycache__ -prune -exec rm -rf {} +
