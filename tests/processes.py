"""Real processes of the service, started, killed and asked from outside."""

import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
from click.testing import CliRunner

from service.cli import main

COMMAND = (sys.executable, "-c", "from service.cli import main; main()")


def run(*arguments: str | Path, check: bool = True, seconds: float = 300) -> subprocess.CompletedProcess[str]:
    """Run one command of ``swallow-interop`` to its end."""
    words = [*COMMAND, *map(str, arguments)]
    return subprocess.run(words, capture_output=True, text=True, check=check, timeout=seconds)  # noqa: S603


@contextmanager
def serving(
    *arguments: str | Path,
    command: tuple[str, ...] = COMMAND,
    sign: str = "/health/ready",
    settings: dict[str, str] | None = None,
) -> Iterator["Server"]:
    """Start a command that serves and wait until it says where and answers ``sign``; killed at the end.

    ``settings`` stand in its environment.
    """
    words, environment = [*command, *map(str, arguments)], os.environ | (settings or {})
    with (
        tempfile.NamedTemporaryFile() as paper,
        subprocess.Popen(words, stdout=paper, stderr=subprocess.STDOUT, env=environment) as process,  # noqa: S603
    ):
        server = Server(process, Path(paper.name))
        try:
            server.wait_until_ready(sign)
            yield server
        finally:
            process.kill()


class Server:
    """One running service; what it prints goes to a file, so that nobody need listen."""

    def __init__(self, process: subprocess.Popen[bytes], paper: Path) -> None:
        self.process = process
        self.url = ""
        self._paper = paper

    @property
    def printed(self) -> str:
        """What it printed so far."""
        return self._paper.read_text("utf-8")

    def wait_until_ready(self, sign: str = "/health/ready", seconds: float = 120) -> None:
        """Wait until it says its address, then until it answers there."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            ended = self.process.poll() is not None
            said = re.search(r"erving on (http://127\.0\.0\.1:\d+)\b.*\n", self.printed)
            if said and self._answers(f"{said[1]}{sign}"):
                self.url = said[1]
                return
            if ended:
                break
            time.sleep(0.02)
        raise AssertionError(self.printed)

    @staticmethod
    def _answers(url: str) -> bool:
        try:
            return httpx.get(url).status_code == 200
        except httpx.TransportError:
            return False

    def kill(self) -> None:
        """Kill it as a power cut would: no handler runs."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()


def token(folder: Path, reader: str = "integrator") -> Path:
    """Sign a token with the folder's development key and keep it in a file of its own.

    The command does it, without a process: most that need one need nothing else of the command.
    """
    path = folder / f"{reader}.token"
    words = ["token", reader, "--data-dir", str(folder)]
    path.write_text(CliRunner().invoke(main, words, catch_exceptions=False).stdout)
    return path


def client(server: Server, token_file: Path) -> httpx.Client:
    headers = {"Authorization": f"Bearer {token_file.read_text().strip()}"}
    return httpx.Client(base_url=f"{server.url}/fhir", headers=headers, timeout=60)


def everything(http: httpx.Client, type_: str) -> list[dict]:
    """Every current resource of a type, page by page."""
    found, address = [], f"/{type_}?_count=200"
    while address:
        page = http.get(address).raise_for_status().json()
        found += [entry["resource"] for entry in page.get("entry", ())]
        address = next((link["url"] for link in page["link"] if link["relation"] == "next"), None)
    return found


def searchable_types(http: httpx.Client) -> list[str]:
    """Types that the service says can be searched, without those it writes itself of each access."""
    declared = http.get("/metadata").json()["rest"][0]["resource"]
    return [
        one["type"]
        for one in declared
        if one["type"] != "AuditEvent"
        and any(interaction["code"] == "search-type" for interaction in one["interaction"])
    ]


def by_identifier(resources: list[dict]) -> dict[str, list[str]]:
    """Business identifier to the ids of the resources that carry it."""
    found: dict[str, list[str]] = {}
    for resource in resources:
        identifiers = resource.get("identifier", [])
        for one in identifiers if isinstance(identifiers, list) else [identifiers]:
            found.setdefault(json.dumps([resource["resourceType"], one["system"], one["value"]]), []).append(
                resource["id"]
            )
    return found
