"""``demo`` and ``make demo``: which port it serves on."""

import socket
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner

from service.cli.demo import demo

ROOT = Path(__file__).parents[2]


def test_a_taken_port_is_said_with_how_to_take_another(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        found = CliRunner().invoke(demo, ["--port", port, "--data-dir", str(tmp_path / "data")])
    assert found.exit_code == 1
    assert f"Can't listen on 127.0.0.1, port {port}" in found.output
    assert found.output.endswith("; choose another with --port 8187, or make demo PORT=8187.\n")


@pytest.mark.parametrize(
    ("given", "command"),
    [((), "swallow-interop demo"), (("PORT=8187",), "swallow-interop demo --port 8187")],
)
def test_make_takes_the_port(given, command):
    asked = ["make", "--dry-run", "--directory", str(ROOT), "demo", *given]
    told = subprocess.run(asked, capture_output=True, text=True, check=True)  # noqa: S603
    assert any(line.rstrip().endswith(command) for line in told.stdout.splitlines())
