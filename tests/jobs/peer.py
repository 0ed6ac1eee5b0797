"""A store, and a receiving end that answers as it is told (pytest-httpx)."""

import json

from service.fhir.search_keys import extract
from service.jobs.delivery import Delivery
from service.jobs.delivery_fhir import FhirSender
from service.jobs.destination import Destination, Limits
from service.jobs.destination_state import states
from service.jobs.destinations import Destinations
from service.jobs.http_client import connect
from service.jobs.outgoing import Outgoing

REMOTE = "https://record.example.org/fhir"
NUMBERS = "https://clinic.example.org/patients"
VISITS = "https://clinic.example.org/visits"


def patient(id_):
    return {
        "resourceType": "Patient",
        "id": id_,
        "identifier": [{"system": NUMBERS, "value": id_}],
        "name": [{"family": "Invented"}],
    }


def observation(id_, patient, *, identifier=True, kilograms="72.50", status="final"):
    tree = {
        "resourceType": "Observation",
        "id": id_,
        "status": status,
        "code": {"text": "weight"},
        "subject": {"reference": f"Patient/{patient}"},
        "valueQuantity": {"value": "@", "unit": "kg"},
    }
    if identifier:
        tree["identifier"] = [{"system": VISITS, "value": id_}]
    return json.dumps(tree).replace('"@"', kilograms).encode()


async def put(store, *resources):
    async def work(txn):
        for resource in resources:
            text = resource if isinstance(resource, bytes) else json.dumps(resource).encode()
            tree = json.loads(text)
            await txn.put(tree["resourceType"], tree["id"], text, extract(tree))

    await store.write("test", work)


async def delete(store, type_, id_):
    await store.write("test", lambda txn: txn.delete(type_, id_))


def metadata(httpx_mock, *types, keeps=(), once=(), transaction=True):
    """Tell what the receiving end can do."""
    every = {*types, "Patient", "Observation", "Provenance", "Practitioner"}
    httpx_mock.add_response(
        url=f"{REMOTE}/metadata",
        json={
            "resourceType": "CapabilityStatement",
            "rest": [
                {
                    "mode": "server",
                    "interaction": [{"code": "transaction"}] if transaction else [],
                    "resource": [
                        {"type": one, "updateCreate": one in keeps, "conditionalCreate": one in once}
                        for one in sorted(every)
                    ],
                }
            ],
        },
        is_reusable=True,
        is_optional=True,
    )


def answer(*statuses):
    """A transaction's response: ``201 Observation/9`` each, with an entity tag of version 1 or as told."""
    entries = []
    for one in statuses:
        status, _, where = one.partition(" ")
        address, _, version = where.partition("@")
        location = {"location": f"{address}/_history/{version or 1}"} if address else {}
        entries.append({"response": {"status": status, "etag": f'W/"{version or 1}"', **location}})
    return {"resourceType": "Bundle", "type": "transaction-response", "entry": entries}


def bundles(httpx_mock):
    return [json.loads(request.content) for request in httpx_mock.get_requests(method="POST", url=REMOTE)]


class Site:
    """One store with one destination, and a clock that goes forward when told."""

    def __init__(self, store, clock, **options) -> None:
        self.store, self.clock = store, clock
        options = {"limits": Limits(concurrency=1)} | options  # one after the other, as they are answered
        self.destination = Destination("record", "fhir", REMOTE, **options)
        self.known = Destinations(store)

    async def begin(self):
        await self.known.add(self.destination)
        return self

    async def deliver(self, patience_s=0):
        delivery = Delivery(self.store, self.known, self._sender, self.clock, "a test")
        return await delivery.drain(self.destination, patience_s)

    def _sender(self, destination):
        return FhirSender(destination, self.store, connect(REMOTE, "secret", Outgoing()))

    async def state(self):
        (found,) = await states(self.store, self.known, self.clock())
        return found
