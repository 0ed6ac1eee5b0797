"""The built wheel, installed alone into an empty environment and run from another folder, serves the demo."""

import json
import os
import subprocess
import sys
import venv
from pathlib import Path

import httpx
import pytest
from processes import client, everything, serving

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """Path of the command in an environment that holds the wheel and what it needs."""
    folder = tmp_path_factory.mktemp("wheel")
    _pip(sys.executable, "wheel", "--no-deps", "--wheel-dir", folder, ROOT)
    (wheel,) = folder.glob("*.whl")
    venv.create(folder / "empty", with_pip=True)
    _pip(folder / "empty" / "bin" / "python", "install", wheel)
    return folder / "empty" / "bin" / "swallow-interop"


def test_the_wheel_serves_the_demo(installed, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("PYTHONPATH", raising=False)
    with serving("demo", "--port", "0", "--data-dir", "here", command=(str(installed),)) as server:
        assert "41 records: " in server.printed
        assert " 0 records refused." in server.printed
        assert "Ottoline Sampleby" in server.printed
        tokens = json.loads((tmp_path / "here" / "demo-tokens.json").read_text())
        key = tmp_path / "token"
        key.write_text(tokens["integrator"])
        with client(server, key) as http:
            assert len(everything(http, "Patient")) == 5
            patient = everything(http, "Patient")[0]["id"]
            answer = http.get(f"/Patient/{patient}/$goal-attainment").raise_for_status().json()
            assert any(part["name"] == "goal" for part in answer["parameter"])
        page = httpx.get(f"{server.url}/app", headers={"Authorization": f"Bearer {tokens['clinician']}"})
        assert "Ottoline Sampleby" in page.text
        research = httpx.get(
            f"{server.url}/research/export?variant=safe-harbor",
            headers={"Authorization": f"Bearer {tokens['researcher']}"},
            timeout=60,
        ).raise_for_status()
        assert "Sampleby" not in research.text
    assert oct((tmp_path / "here" / "demo-tokens.json").stat().st_mode & 0o777) == "0o600"


def _pip(python, *arguments):
    quiet = ("--quiet", "--disable-pip-version-check")
    outside = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    words = [str(python), "-m", "pip", arguments[0], *quiet, *map(str, arguments[1:])]
    subprocess.run(words, check=True, env=outside, cwd="/", timeout=300)  # noqa: S603
