"""Another program holds the SQLite file: refused within seconds, reading goes on, writing does so after."""

import sqlite3
import subprocess
import sys
import time
from contextlib import closing, contextmanager

from processes import run

HOLD = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("BEGIN EXCLUSIVE")
print("held", flush=True)
sys.stdin.read()
"""


@contextmanager
def held(path):
    """The database locked for writing by a process that is not ours."""
    words = [sys.executable, "-c", HOLD, str(path)]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as holder:  # noqa: S603
        assert holder.stdout.readline() == "held\n"
        try:
            yield
        finally:
            holder.kill()


def test_locked_for_writing(serve, writers, tmp_path):
    """Reads are recorded in a file of their own: they are answered, until that one is held too."""
    with serve(tmp_path) as (_, http):
        with writers.at_work(http):
            writers.wait_for(20)
            with held(tmp_path / "swallow.sqlite"):
                writers.wait_for_refusal()
                begun = time.monotonic()
                assert http.get("/Observation/shared").status_code == 200
                assert http.get("/Observation?_count=1").status_code == 200
                assert time.monotonic() - begun < 2
            writers.wait_for(20)
            with held(tmp_path / "swallow.accesses.sqlite"):
                answer = http.get("/Observation/shared")
                assert answer.status_code == 503
                assert "nothing is answered unrecorded" in answer.text
                writers.wait_for(20)
            assert http.get("/Observation/shared").status_code == 200
        writers.assert_clear_refusals()
        assert writers.slowest < 15  # nobody stands in a queue of refusals
        writers.assert_kept(http)


def test_locked_when_it_starts(serve, writers, tmp_path):
    """The service says why it does not start, and starts when the file is free."""
    with serve(tmp_path) as (_, http):
        writers.once(http, "first")
    path = tmp_path / "swallow.sqlite"
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("PRAGMA locking_mode = EXCLUSIVE")
        other.execute("BEGIN EXCLUSIVE")
        arguments = ("serve", "--port", "0", "--development-issuer", "--data-dir", tmp_path)
        refused = run(*arguments, check=False)
    assert refused.returncode != 0
    assert "can't be opened: database is locked" in refused.stdout + refused.stderr
    with serve(tmp_path) as (_, http):
        writers.once(http, "second")
        writers.assert_kept(http)
