"""Writers that keep sending small transactions, remember what was acknowledged, and check it afterwards."""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count

import httpx
from processes import everything

PARTS = 3
SHARED = "shared"
"""An Observation that every transaction writes besides its own: its versions tell the order."""


class Writers:
    """Writers on one or several services over the same store; ``folk`` keeps their ids apart."""

    def __init__(self, folk: str = "w") -> None:
        self.folk = folk
        self.acknowledged: dict[str, int] = {}  # name of a transaction: version of the shared resource
        self.refused: list[httpx.Response] = []
        self.unanswered: list[str] = []
        self.slowest = 0.0
        self._stop = threading.Event()

    @contextmanager
    def at_work(self, *services: httpx.Client, lanes: int = 4) -> Iterator["Writers"]:
        """Write from ``lanes`` threads to each service until the block ends."""
        threads = [
            threading.Thread(target=self._write, args=(http, f"{self.folk}{number}-{lane}"))
            for number, http in enumerate(services)
            for lane in range(lanes)
        ]
        for thread in threads:
            thread.start()
        try:
            yield self
        finally:
            self._stop.set()
            for thread in threads:
                thread.join()
            self._stop.clear()

    def _write(self, http: httpx.Client, lane: str) -> None:
        for number in count():
            if self._stop.is_set() or not self.once(http, f"{lane}-{number}"):
                return

    def once(self, http: httpx.Client, name: str) -> bool:
        """Send one transaction; whether the service answered at all."""
        begun = time.monotonic()
        try:
            answer = http.post("", json=transaction(name))
        except httpx.TransportError:
            self.unanswered.append(name)
            return False
        self.slowest = max(self.slowest, time.monotonic() - begun)
        if answer.status_code == 200:
            self.acknowledged[name] = _shared_version(answer.json())
        else:
            self.refused.append(answer)
        return True

    def wait_for(self, number: int, seconds: float = 60) -> None:
        """Wait until so many more transactions were acknowledged."""
        wanted, end = len(self.acknowledged) + number, time.monotonic() + seconds
        while len(self.acknowledged) < wanted:
            assert time.monotonic() < end, (len(self.acknowledged), [one.text for one in self.refused[-1:]])
            time.sleep(0.02)

    def wait_for_refusal(self, seconds: float = 60) -> None:
        """Wait until the service refused one."""
        end = time.monotonic() + seconds
        while not self.refused:
            assert time.monotonic() < end
            time.sleep(0.02)

    def assert_clear_refusals(self) -> None:
        """Each refusal said that trying again helps, in FHIR's words."""
        for answer in self.refused:
            assert answer.status_code == 503, answer.text
            assert int(answer.headers["Retry-After"]) >= 1
            outcome = answer.json()
            assert outcome["resourceType"] == "OperationOutcome"
            assert outcome["issue"][0]["code"] == "transient"

    def assert_kept(self, http: httpx.Client) -> None:
        """Acknowledged writes are there, none in halves, the versions of the shared resource in order."""
        found = {one["id"]: one for one in everything(http, "Observation")}
        whole = {id_.rpartition("-")[0] for id_ in found if id_ != SHARED}
        assert self.acknowledged.keys() <= whole
        assert found.keys() == {SHARED} | {f"{name}-{part}" for name in whole for part in range(PARTS)}
        versions = _versions(http)
        assert [number for number, _, _ in versions] == list(range(1, len(versions) + 1))
        instants = [instant for _, instant, _ in versions]
        assert instants == sorted(set(instants))
        writers = {number: name for number, _, name in versions}
        assert {name: writers[version] for name, version in self.acknowledged.items()} == {
            name: name for name in self.acknowledged
        }


def transaction(name: str) -> dict:
    """Three Observations of its own, and the next version of the shared one."""
    own = [observation(f"{name}-{part}", name) for part in range(PARTS)]
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {"resource": one, "request": {"method": "PUT", "url": f"Observation/{one['id']}"}}
            for one in (*own, observation(SHARED, name))
        ],
    }


def observation(id_: str, text: str) -> dict:
    return {"resourceType": "Observation", "id": id_, "status": "final", "code": {"text": text}}


def _shared_version(answer: dict) -> int:
    return int(answer["entry"][PARTS]["response"]["etag"].strip('W/"'))


def _versions(http: httpx.Client) -> list[tuple[int, str, str]]:
    """Number, instant and writer of each version of the shared resource, oldest first."""
    versions: list[tuple[int, str, str]] = []
    address: str | None = f"/Observation/{SHARED}/_history"
    while address:
        page = http.get(address).raise_for_status().json()
        versions += [
            (int(one["meta"]["versionId"]), one["meta"]["lastUpdated"], one["code"]["text"])
            for one in (entry["resource"] for entry in page["entry"])
        ]
        address = next((link["url"] for link in page["link"] if link["relation"] == "next"), None)
    return versions[::-1]
