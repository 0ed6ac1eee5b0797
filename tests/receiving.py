"""The endpoint of a subscriber: takes notifications and answers as it is told, here or in its own process.

python receiving.py <file>     prints its address and appends each notification to the file, a line each
"""

import json
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

Tree = dict[str, Any]


class Receiver:
    """What came, oldest first; ``answers`` are the next statuses, then 200."""

    def __init__(self) -> None:
        self.came: list[tuple[dict[str, str], bytes]] = []
        self.answers: list[int] = []
        self.url = ""

    def take(self, headers: dict[str, str], body: bytes) -> int:
        """Answer the status of the answer."""
        status = self.answers.pop(0) if self.answers else 200
        self.came.append((headers, body))
        return status

    @property
    def bundles(self) -> list[Tree]:
        """The notifications that came as JSON."""
        return [json.loads(body) for _, body in self.came]

    def events(self) -> list[Tree]:
        """The notifications that tell of events."""
        return [one for one in self.bundles if said(one)["type"] == "event-notification"]


def said(bundle: Tree) -> Tree:
    """What the first entry of a notification says, by name; events as a list of their parts by name."""
    found: Tree = {"notification-event": []}
    for one in bundle["entry"][0]["resource"]["parameter"]:
        if one["name"] == "notification-event":
            found["notification-event"].append(_parts(one["part"]))
        else:
            found[one["name"]] = value(one)
    return found


def _parts(parts: list[Tree]) -> Tree:
    found: Tree = {"additional-context": []}
    for part in parts:
        if part["name"] == "additional-context":
            found["additional-context"].append(value(part))
        else:
            found[part["name"]] = value(part)
    return found


def value(parameter: Tree) -> Any:
    (found,) = [one for name, one in parameter.items() if name.startswith("value")]
    return found.get("reference", found.get("text")) if isinstance(found, dict) else found


@contextmanager
def receiving(receiver: Receiver) -> Iterator[Receiver]:
    """Listen on a port of this machine."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            status = receiver.take({name.lower(): text for name, text in self.headers.items()}, body)
            self.send_response(status)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    receiver.url = f"http://127.0.0.1:{server.server_address[1]}/notifications"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield receiver
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


class _Filing(Receiver):
    def __init__(self, path: Path) -> None:
        super().__init__()
        self._path = path

    def take(self, headers: dict[str, str], body: bytes) -> int:
        with self._path.open("ab") as file:
            file.write(body + b"\n")
        return super().take(headers, body)


if __name__ == "__main__":
    with receiving(_Filing(Path(sys.argv[1]))) as here:
        sys.stdout.write(f"{here.url}\n")
        sys.stdout.flush()
        threading.Event().wait()
