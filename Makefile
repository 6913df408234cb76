# make demo    the main job with simulated pads, everything embedded
# make test    all tests;  make check  lint, types, import contracts;  make bench  measured figures
# make soak    200 kills and a day of readings, an hour or so;  make fuzz  looks for input that nobody thought of
# make audit   known vulnerabilities of what is pinned, where a registry can be reached

PY := .venv/bin/python

.PHONY: demo test check bench soak audit fuzz setup dev lock clean

demo: setup
	@.venv/bin/restpoint demo --out demo-out

test: dev
	@tools/services
	@$(PY) -m pytest -n 2 --dist loadfile

check: dev
	@.venv/bin/ruff check .
	@.venv/bin/ruff format --check .
	@.venv/bin/mypy
	@.venv/bin/lint-imports --no-cache

bench: dev
	@tools/services
	@$(PY) tools/bench.py

soak: dev
	@$(PY) tools/soak.py

audit:
	@tools/audit

fuzz: dev
	@tools/fuzz

setup: .venv/.ready
dev: .venv/.ready-dev

COMPILED := $(wildcard logger/settling/*.pxd)
COMPILED += $(COMPILED:.pxd=.py)

.venv/.ready: deploy/requirements.txt pyproject.toml tools/setup $(COMPILED)
	@tools/setup

.venv/.ready-dev: tools/requirements-dev.txt pyproject.toml tools/setup $(COMPILED)
	@tools/setup dev

# Pin anew; needs uv. No index address is written.
lock:
	uv pip compile pyproject.toml --extra broker --universal --python-version 3.11 --generate-hashes --quiet \
	    --no-header --no-emit-index-url --no-emit-find-links --output-file deploy/requirements.txt
	uv pip compile pyproject.toml --extra broker --extra dev --universal --python-version 3.11 --generate-hashes --quiet \
	    --no-header --no-emit-index-url --no-emit-find-links --constraint deploy/requirements.txt \
	    --output-file tools/requirements-dev.txt

clean:
	rm -rf .venv demo-out build *.egg-info logger/settling/*.so
