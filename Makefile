# Everything a player or a contributor does here, one command each. Python 3.11 or newer, venv and make are enough.
.DEFAULT_GOAL := help
.PHONY: help demo live test setup setup-run check lint types docs bench soak fuzz samples pictures lock clean
unexport PYTHONPATH PYTHONHOME
PY := .venv/bin/python
RUN := .venv/bin/strokeplane

help:  ## list these commands
	@sed -n 's/^\([a-z]*\):.*## \(.*\)/make \1: \2/p' Makefile

demo: setup-run  ## set up, analyse the shipped logs, show the reports
	@PY=$(PY) RUN=$(RUN) sh sample_logs/demo.sh

live: setup-run  ## set up, then a guided session in the browser: a simulated player, a plan by a shipped hold
	@mkdir -p out
	@$(RUN) plan new ladder --hold sample_logs/level_at_speed.mcap --step 25 --seconds 15 --rest 15 --wanted down --drill "4x1 3x2 4x1" --replace -o out/live.toml
	@$(RUN) live out/live.toml --source simulated -o out/live-$$(date +%Y%m%d-%H%M%S).mcap

# Three workers to two cores (tests/conftest.py); the tests of one file stay together, so that what they share is made once,
# and the longest files come first.
test: setup  ## set up with all test tools and pass all tests
	$(PY) -m pytest -n auto --dist loadfile --no-loadscope-reorder

setup:  ## set up .venv to work on strokeplane
	@sh requirements/setup.sh dev

setup-run:  ## set up .venv to use strokeplane
	@sh requirements/setup.sh run

check: lint types test  ## everything that must hold before a change is handed in (the tests build the docs)

lint: setup  ## style: ruff's rules and its formatter
	$(PY) -m ruff check .
	$(PY) -m ruff format --check .

types: setup  ## types: mypy, strict
	$(PY) -m mypy

docs: setup  ## build the documentation into site/, links checked
	$(PY) -m mkdocs build --strict --quiet --site-dir site

bench: setup  ## measure accuracy and speed, write the tables
	@for bench in benchmarks/bench_*.py; do echo "$$bench"; $(PY) -m benchmarks.$$(basename $$bench .py) || exit 1; done

soak: setup  ## the long runs
	$(PY) -m pytest -m soak

fuzz: setup  ## a minute of fuzzing each: a sensor's bytes (findings kept), then whole commands (FUZZ_S=600: ten minutes)
	$(PY) tests/logger/sources/fuzz_readers.py -max_total_time=$(or $(FUZZ_S),60)
	@for kind in sessions tables settings plans events parquet bids options; do \
		$(PY) -m tests.logger.commands.fuzz_commands $$kind $(or $(FUZZ_S),60) || exit 1; done

pictures: setup  ## take the README's pictures anew (needs Chromium)
	$(PY) -m tests.house.readme_pictures

samples: setup  ## make the shipped logs anew
	$(PY) -m logger.sample_logs

lock: setup  ## pin the requirements anew (UPGRADE=1: take the newest versions)
	$(PY) requirements/lock.py $(if $(UPGRADE),--upgrade)

clean:  ## remove everything that was made here, .venv included
	rm -rf .venv out site build dist *.egg-info .mypy_cache .pytest_cache .ruff_cache .hypothesis
