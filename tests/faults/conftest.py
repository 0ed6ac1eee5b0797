from contextlib import contextmanager

import pytest
from processes import client, serving, token
from writers import Writers


@pytest.fixture
def serve():
    """A function: the service over a data folder as a process of its own, and a client of it."""

    @contextmanager
    def started(folder, sign="/health/ready"):
        arguments = ("serve", "--port", "0", "--development-issuer", "--data-dir", folder)
        with serving(*arguments, sign=sign) as server, client(server, _token(folder)) as http:
            yield server, http

    return started


@pytest.fixture
def writers():
    return Writers()


def _token(folder):
    """The folder's token, made once: later its disk may be full."""
    kept = folder / "integrator.token"
    return kept if kept.exists() else token(folder)
