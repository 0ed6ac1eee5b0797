"""The clock steps back an hour, in a running service and across a restart: versions keep their order."""

import threading
import time
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

import httpx
import uvicorn

from service.app import create_app
from service.cli.serve import listening
from service.security.development_issuer import DevelopmentIssuer
from service.settings import Settings


class Clock:
    def __init__(self) -> None:
        self.now = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(milliseconds=1)
        return self.now

    def step_back(self):
        self.now -= timedelta(hours=1)


@contextmanager
def _running(folder, clock):
    """The whole service on a clock of ours, and a client of it."""
    app = create_app(Settings(data_dir=folder, development_issuer=True), clock=clock)
    token = DevelopmentIssuer(folder).sign("test", "system/*.cruds", now=clock().timestamp() - 2 * 3_600)
    listener = listening("127.0.0.1", 0)
    server = uvicorn.Server(uvicorn.Config(app, log_level="warning"))
    thread = threading.Thread(target=server.run, args=([listener],))
    thread.start()
    try:
        while not server.started:
            time.sleep(0.02)
        headers = {"Authorization": f"Bearer {token}"}
        base = f"http://127.0.0.1:{listener.getsockname()[1]}/fhir"
        with httpx.Client(base_url=base, headers=headers) as http:
            yield http
    finally:
        server.should_exit = True
        thread.join()


def test_versions_keep_their_order(writers, tmp_path):
    clock = Clock()
    with _running(tmp_path, clock) as http:
        for number in range(3):
            writers.once(http, f"before-{number}")
        clock.step_back()
        for number in range(3):
            writers.once(http, f"after-{number}")
        writers.assert_kept(http)
    clock.step_back()
    with _running(tmp_path, clock) as http:
        writers.once(http, "again-0")
        writers.assert_kept(http)
    assert list(writers.acknowledged.values()) == list(range(1, 8))
