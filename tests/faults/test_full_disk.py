"""The disk is full, or the quota used up: refused clearly, all else goes on, and again when there is room."""

import os
import resource
import subprocess
from pathlib import Path

import pytest

MEBIBYTE = 2**20


def _mounted(folder: Path, size: int) -> bool:
    words = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
    return os.geteuid() == 0 and subprocess.run(words, capture_output=True, check=False).returncode == 0  # noqa: S603


class _SmallDisk:
    """A file system of its own; a file takes up what is left of it."""

    def __init__(self, folder: Path) -> None:
        self._filler = folder / "filler"

    def fill(self, _pid: int) -> None:
        with self._filler.open("wb", buffering=0) as file:
            try:
                while file.write(bytes(4096)) == 4096:
                    pass
            except OSError:
                return

    def free(self, _pid: int) -> None:
        self._filler.unlink()


class _Quota:
    """No log of a database may grow beyond what the smallest has (EFBIG, as with a quota)."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def fill(self, pid: int) -> None:
        smallest = min(path.stat().st_size for path in self._folder.glob("*-wal"))
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (smallest, resource.RLIM_INFINITY))

    def free(self, pid: int) -> None:
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))


@pytest.fixture(params=["small disk", "quota"])
def limited(request, tmp_path):
    """A data folder and what fills it. Where no file system may be mounted, both ways are by quota."""
    mounted = request.param == "small disk" and _mounted(tmp_path, 16 * MEBIBYTE)
    yield tmp_path, (_SmallDisk if mounted else _Quota)(tmp_path)
    if mounted:
        subprocess.run(["umount", str(tmp_path)], check=True)  # noqa: S603, S607


@pytest.fixture(autouse=True)
def _answered_unrecorded(monkeypatch):
    """Else reads are refused as well, see test_audit_trail.py."""
    monkeypatch.setenv("SWALLOW_AUDIT_FAILURE", "alarm")


def test_full_and_free_again(serve, writers, limited):
    folder, disk = limited
    with serve(folder) as (server, http):
        with writers.at_work(http):
            writers.wait_for(20)
            disk.fill(server.process.pid)
            writers.wait_for_refusal()
            assert http.get("/Observation/shared").status_code == 200
            assert http.get("/Observation?_count=1").status_code == 200
            disk.free(server.process.pid)
            writers.wait_for(20)
        writers.assert_clear_refusals()
        assert "disk" in writers.refused[0].json()["issue"][0]["details"]["text"]
        writers.assert_kept(http)


def test_killed_while_full(serve, writers, limited):
    """Started again on the full disk it reads; with room it writes."""
    folder, disk = limited
    with serve(folder) as (server, http), writers.at_work(http):
        writers.wait_for(20)
        disk.fill(server.process.pid)
        writers.wait_for_refusal()
        server.kill()
    with serve(folder, sign="/health/live") as (server, http):  # ready it is when there is room
        writers.assert_kept(http)
        disk.free(server.process.pid)
        assert writers.once(http, "after")
        writers.assert_kept(http)
