"""A standard FHIR client, as its users would run it, against the running demo."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from processes import client, serving

SCRIPT = Path(__file__).parents[2] / "examples" / "clients" / "fhirpy_pages.py"


@pytest.mark.published("fhirpy, a client library from PyPI")
def test_fhirpy_creates_searches_and_pages(tmp_path):
    with serving("demo", "--port", "0", "--data-dir", tmp_path) as server:
        tokens = tmp_path / "demo-tokens.json"
        words = [sys.executable, str(SCRIPT), f"{server.url}/fhir", str(tokens)]
        run = subprocess.run(words, capture_output=True, text=True, check=False, timeout=120)  # noqa: S603
        assert run.returncode == 0, run.stderr
        key = tmp_path / "token"
        key.write_text(json.loads(tokens.read_text())["integrator"])
        with client(server, key) as http:
            trials = http.get("/Observation?code=trial-closure&_count=0").json()["total"]
    created, weights, walked = run.stdout.splitlines()
    assert created.startswith("created Patient/")
    assert weights == "weights found 3"
    assert trials > 300
    assert walked == f"closure trials {trials} in pages of 100, each once: True"
