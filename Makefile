# Everything sets itself up: environments are made once, and again when their list of packages changes.
#
#   make test       the core's tests, then the add-on's tests in every Blender below
#   make test-long  the core with many more generated designs (half an hour)
#   make coverage   which lines and branches of the core its tests run
#   make wheels     wheel and source archive into out/dist, each installed in an empty environment and tried
#   make fuzz       let Atheris look for inputs that break a reader, FUZZ seconds each (120)
#   make test-window  the add-on in a real window (as root; made once, 1.7 GB); test-window-more has the longer sessions
#   make lint       ruff and mypy
#   make demo       pictures and files of the demonstration designs into out/
#   make bench      timings beside floors and peers, as one table into out/bench.md and DEVELOPERS.md
#   make extension  the add-on as a zip for Blender
#   make manual     the manual as a site into out/manual; make pictures takes its pictures anew from a real window,
#                   and those of the starting points from their designs
#   make schema     the JSON Schema of design files, after a change of knotgeom/table.py
#   make clean      remove all that was made, environments included

# Blender's Python module exists for one Python version for each Blender; for those below it is 3.11.
PYTHON ?= $(shell for p in python3.11 python3; do "$$p" -c 'import sys; sys.exit(sys.version_info[:2] != (3, 11))' 2>/dev/null && { echo $$p; break; }; done)
BLENDERS := 4.2 4.5 5.0
# Blender 5.2 is made for Python 3.13; it is tested too where there is one.
PYTHON313 ?= $(shell for p in python3.13 "$$HOME"/.pyenv/versions/3.13.*/bin/python3.13; do "$$p" -c 'import sys; sys.exit(sys.version_info[:2] != (3, 13))' 2>/dev/null && { echo $$p; break; }; done)
ifneq ($(PYTHON313),)
BLENDERS += 5.2
endif
# The Blender that makes the demonstration's scenes and the extension's zip.
BLENDER := 4.5

# Tests that run side by side.
JOBS ?= 2
CORE := .venv/bin/python
BPY := .venv-blender-$(BLENDER)/bin/python
PIP := -m pip --disable-pip-version-check install --quiet
# What is beside these tests runs inside the window's own Blender and has no doctests to collect here.
WINDOW := -o addopts="--import-mode=importlib -ra"
# A Blender that hangs is a failure, not a wait without end.
LIMIT := $(shell command -v timeout >/dev/null 2>&1 && echo "timeout --kill-after=10 1200")

export PYTHONDONTWRITEBYTECODE := 1
# Scripts find knotgeom and blender_addon in the checkout.
export PYTHONPATH := $(CURDIR)

.DELETE_ON_ERROR:
.PHONY: test test-core test-long coverage wheels fuzz test-blender test-window test-window-more lint demo bench extension manual pictures schema clean environments python
.SECONDARY:

test: test-core test-blender

test-core: .venv/ready
	$(CORE) -m pytest -n $(JOBS)

# Many more generated designs than the daily round has time for.
test-long: .venv/ready
	$(CORE) -m pytest -n $(JOBS) -m long tests/core

coverage: .venv/ready
	$(CORE) -m pytest -n $(JOBS) --cov --cov-config=pyproject.toml --cov-report=html:out/coverage --cov-report=json:out/coverage.json
	$(CORE) tests/covered.py out/coverage.json

wheels: .venv/ready
	$(CORE) tests/wheels.py out/dist

# On Linux with Python 3.11, for which Atheris has wheels.
FUZZ := 120

fuzz: .venv-fuzz/ready
	set -e; for target in design obj ply profile package kept recent catalogs; do .venv-fuzz/bin/python tests/fuzz/fuzz.py $$target $(FUZZ); done

# Two at a time, each one's output in one piece.
test-blender:
	+$(MAKE) --jobs $(JOBS) --output-sync=target --no-print-directory $(BLENDERS:%=test-blender-%)

# A real window; skipped, with the reason, where a desktop Blender cannot be had. What is left to test-window-more
# waits for long work or compares pictures, and wants a quiet machine.
STEADY := tests/window/test_window.py tests/window/test_drawing.py

test-window: .venv-blender-$(BLENDER)/ready
	$(LIMIT) $(BPY) -m pytest $(WINDOW) $(STEADY)

test-window-more: .venv-blender-$(BLENDER)/ready
	$(BPY) $(PIP) pillow==13.0.0
	$(LIMIT) $(BPY) -m pytest $(WINDOW) $(filter-out $(STEADY),$(wildcard tests/window/test_*.py))

test-blender-%: .venv-blender-%/ready
	$(LIMIT) .venv-blender-$*/bin/python -m pytest tests/blender

lint: .venv/ready
	$(CORE) -m ruff check .
	$(CORE) -m ruff format --check .
	$(CORE) -m mypy

demo: .venv/ready .venv-blender-$(BLENDER)/ready
	mkdir -p out
	KNOTGEOM_PYTHON=$(abspath $(CORE)) BLENDER_PYTHON=$(abspath $(BPY)) $(CORE) demo_scenes/make_demos.py --out out

# All of tests/bench as one table in out/bench.md, and with it what DEVELOPERS.md keeps; some ten minutes.
# By hand: bench_window.py, which wants a real window, and bench_printing.py and bench_trims.py, which tell more.
bench: .venv/ready .venv-blender-$(BLENDER)/ready
	BLENDER_PYTHON=$(abspath $(BPY)) $(CORE) tests/bench/bench_table.py --out out/bench.md --into DEVELOPERS.md

extension: .venv-blender-$(BLENDER)/ready
	$(BPY) blender_addon/build_extension.py

manual: .venv/ready .venv-blender-$(BLENDER)/ready
	$(BPY) manual/tables.py
	$(CORE) -m mkdocs build --strict --quiet --config-file manual/mkdocs.yml

pictures: .venv/ready
	$(CORE) manual/thumbnails.py
	$(CORE) manual/made_pictures.py
	$(CORE) manual/pictures.py

schema: .venv/ready
	$(CORE) -c "from knotgeom import reading; print(reading.schema_text(), end='')" > shared/interlace.schema.json

environments: .venv/ready $(BLENDERS:%=.venv-blender-%/ready)

python:
	@test -n "$(PYTHON)" || { echo "make: Python 3.11 is needed and was not found; install it, or name it: make PYTHON=/path/to/python3.11" >&2; exit 1; }
	@"$(PYTHON)" -c 'import sys; sys.exit(sys.version_info[:2] != (3, 11))' || { echo "make: $(PYTHON) is not Python 3.11, the only one that Blender's modules are made for" >&2; exit 1; }

.venv/ready: tests/requirements.txt | python
	$(PYTHON) -m venv .venv
	$(CORE) $(PIP) -r tests/requirements.txt
	touch $@

.venv-fuzz/ready: tests/fuzz/requirements.txt | python
	$(PYTHON) -m venv .venv-fuzz
	.venv-fuzz/bin/python $(PIP) -r $<
	touch $@

.venv-blender-5.2/ready: tests/requirements-blender-5.2.txt
	"$(PYTHON313)" -m venv .venv-blender-5.2
	.venv-blender-5.2/bin/python $(PIP) -r $< || { echo "make: Blender 5.2 as a Python module could not be had; it needs a network" >&2; exit 1; }
	touch $@

.venv-blender-%/ready: tests/requirements-blender-%.txt tests/requirements-blender.txt | python
	$(PYTHON) -m venv .venv-blender-$*
	.venv-blender-$*/bin/python $(PIP) -r tests/requirements-blender-$*.txt || { echo "make: Blender $* as a Python module could not be had; it needs a network, and Linux x86-64, Windows or macOS" >&2; exit 1; }
	touch $@

clean:
	rm -rf .venv .venv-fuzz .venv-blender-* out build dist *.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
