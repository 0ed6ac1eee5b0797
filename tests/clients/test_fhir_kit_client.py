"""fhir-kit-client, a client library from npm, does what its users would do."""

import json
import subprocess
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("fhir_kit_client.mjs")
SUBSCRIBER = Path(__file__).with_name("fhir_kit_subscriber.mjs")
LIBRARY = (
    Path(__file__).parents[2] / ".cache" / "npm" / "node_modules" / "fhir-kit-client" / "dist" / "index.js"
)
ROWS = {
    "metadata": ["G1"],
    "createReadUpdateDelete": ["B1", "B5", "B8", "B20"],
    "versionsAndHistory": ["B4", "B23"],
    "patch": ["B16"],
    "transactionAndPages": ["C1", "C5", "D4"],
    "postedSearch": ["D1"],
    "conditionalCreateAndUpdate": ["B12", "B13"],
    "compartmentSearch": ["D29"],
    "systemSearch": ["D30"],
    "references": ["D15"],
    "operations": ["F1", "F2"],
}


def printed(script, service):
    """What a script tells of a service."""
    words = ["node", str(script), LIBRARY.as_uri(), service.base, service.token]
    run = subprocess.run(words, capture_output=True, text=True, check=False, timeout=120)  # noqa: S603
    assert run.returncode == 0, f"{run.stderr}; without {LIBRARY}, 'make test' installs it"
    return json.loads(run.stdout)


@pytest.fixture(scope="module")
def steps(service):
    """Each step of the script and what went wrong in it, empty for nothing."""
    return printed(SCRIPT, service)


@pytest.mark.published("fhir-kit-client, a client library from npm")
@pytest.mark.parametrize(
    "step", [pytest.param(step, marks=pytest.mark.conformance(*rows)) for step, rows in ROWS.items()]
)
def test_step(steps, step):
    assert steps[step] == ""


def test_every_step_is_looked_at(steps):
    assert steps.keys() == ROWS.keys()


@pytest.mark.published("fhir-kit-client, a client library from npm")
@pytest.mark.conformance("H1", "H4", "H5", "H6")
def test_a_subscriber_is_told_is_down_and_catches_up(service):
    heard = printed(SUBSCRIBER, service)
    assert heard["types"] == ["application/fhir+json"]
    assert heard["secrets"] == ["theirs"]
    assert heard["first"] == "handshake"
    assert heard["told"] == ["1", "2", "3"]
    assert heard["missed"] == ["2", "3"]
    assert heard["status"] == "active"
