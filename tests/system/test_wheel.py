"""The built wheel, installed alone into an empty environment and run from another folder, serves the demo."""

import itertools
import json
import os
import re
import subprocess
import sys
import venv
from pathlib import Path

import httpx
import pytest
from processes import client, everything, serving

ROOT = Path(__file__).parents[2]
# As of each person's last visit: goal, baseline, latest with Wilson's 95 % interval, computed status,
# attained, regressed, that visit's date. The invented scenario fixes the trials; intervals as in Wilson 1927.
GOALS = """\
Ottoline Sampleby | closure accuracy | 1/5 | 4/5 (37.6-96.4) | achieved | 2026-03-24 | - | 2026-03-24
Ottoline Sampleby | judgement agreement | 2/5 | 5/5 (56.6-100.0) | sustaining | 2026-02-24 | - | 2026-03-24
Ottoline Sampleby | oral intake level | 4 | 6 | achieved | 2026-03-24 | - | 2026-03-24
Bram Fictionsen | closure accuracy | 2/5 | 5/5 (56.6-100.0) | sustaining | 2026-03-27 | - | 2026-07-24
Bram Fictionsen | judgement agreement | 4/5 | 5/5 (56.6-100.0) | sustaining | 2026-03-13 | - | 2026-07-24
Quilla Demoray | closure accuracy | 2/5 | 3/5 (23.1-88.2) | no-change | - | - | 2026-06-29
Quilla Demoray | judgement agreement | 2/5 | 4/5 (37.6-96.4) | no-change | - | - | 2026-06-29
Ferris Mockridge | closure accuracy | 3/5 | 1/5 (3.6-62.4) | worsening | - | - | 2026-09-28
Ferris Mockridge | judgement agreement | 5/5 | 4/5 (37.6-96.4) | sustaining | 2026-08-17 | - | 2026-09-28
Marlowe Testwell | closure accuracy | 2/5 | 2/5 (11.8-76.9) | worsening | 2026-07-17 | 2026-09-11 | 2026-09-11
Marlowe Testwell | judgement agreement | 4/5 | 3/5 (23.1-88.2) | sustaining | 2026-06-19 | - | 2026-09-11
"""


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """Path of the command in an environment that holds the wheel and what it needs."""
    folder = tmp_path_factory.mktemp("wheel")
    _pip("wheel", "--no-deps", "--wheel-dir", folder, ROOT)
    (wheel,) = folder.glob("*.whl")
    venv.create(folder / "empty")
    _pip("install", "--no-compile", wheel, into=folder / "empty")
    return folder / "empty" / "bin" / "swallow-interop"


def test_the_wheel_serves_the_demo(installed, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("PYTHONPATH", raising=False)
    with serving("demo", "--port", "0", "--data-dir", "here", command=(str(installed),)) as server:
        assert "41 records: " in server.printed
        assert " 0 records refused." in server.printed
        assert _table(server.printed) == [
            [cell.strip() for cell in row.split("|")] for row in GOALS.splitlines()
        ]
        tokens = json.loads((tmp_path / "here" / "demo-tokens.json").read_text())
        key = tmp_path / "token"
        key.write_text(tokens["integrator"])
        with client(server, key) as http:
            assert len(everything(http, "Patient")) == 5
            patient = everything(http, "Patient")[0]["id"]
            answer = http.get(f"/Patient/{patient}/$goal-attainment").raise_for_status().json()
            assert any(part["name"] == "goal" for part in answer["parameter"])
        page = httpx.get(f"{server.url}/app", headers={"Authorization": f"Bearer {tokens['clinician']}"})
        assert "Sampleby, Ottoline" in page.text
        research = httpx.get(
            f"{server.url}/research/export?variant=safe-harbor",
            headers={"Authorization": f"Bearer {tokens['researcher']}"},
            timeout=60,
        ).raise_for_status()
        assert "Sampleby" not in research.text
    assert oct((tmp_path / "here" / "demo-tokens.json").stat().st_mode & 0o777) == "0o600"


def _table(printed):
    """The printed goal table, without the columns of words (stated, why)."""
    lines = printed.splitlines()
    ruler = next(number for number, line in enumerate(lines) if line.startswith("---"))
    starts = [found.start() for found in re.finditer("-+", lines[ruler])]
    rows = [
        [line[start:end].strip() for start, end in zip(starts, [*starts[1:], None], strict=True)]
        for line in itertools.takewhile(bool, lines[ruler + 1 :])
    ]
    return [[name, goal.split(" >=")[0], *rest[:3], *rest[4:6], rest[7]] for name, goal, *rest in rows]


def _pip(*arguments, into=None):
    """Run pip, for another environment if one is named, which then needs no pip of its own."""
    quiet = ("--quiet", "--disable-pip-version-check")
    where = ("--python", into) if into else ()
    outside = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    words = [sys.executable, "-m", "pip", *map(str, (*where, arguments[0], *quiet, *arguments[1:]))]
    subprocess.run(words, check=True, env=outside, cwd="/", timeout=300)  # noqa: S603
