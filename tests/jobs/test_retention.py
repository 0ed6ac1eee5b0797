"""Ageing out by the site's periods, on both stores: what is due goes, what is held stays."""

import asyncio
import json
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from service.fhir.datetimes import LATEST
from service.fhir.search_keys import extract
from service.jobs.erasure import Eraser, Erasure
from service.jobs.retention import Ageing
from service.operations.retention_periods import Periods
from service.store.audit import Event
from service.store.audit_verify import verify
from service.store.contract import History
from service.store.entries import Entry, taken_away

BEGAN = datetime(2020, 1, 1, 10, 0, tzinfo=UTC)
ERASURE = Erasure("2026-02-04T10:00:00.000Z", "kept long enough", "site", "root")
ALL = Periods(person=1000, minor_age=0, deleted=30, superseded=60, audit=0)


def keys_of(version):
    return extract(json.loads(version.content))


def run(work):
    return asyncio.run(work)


EVENT = Event(
    "rest",
    "read",
    "R",
    "0",
    "",
    "ann",
    ("Patient/ann",),
    '"type":{"code":"rest"},"subtype":[{"code":"read"}],"action":"R","outcome":"0",'
    '"agent":[{"altId":"ann"}],"entity":[{"what":{"reference":"Patient/ann"}}]',
)


class Aged:
    """A store whose clock is set forward, and ageing out of it."""

    def __init__(self, opening) -> None:
        self.now = BEGAN
        self.store = opening(lambda: self.now)
        self.told = []

    def write(self, *trees, delete=()):
        async def work(txn):
            for tree in trees:
                await txn.put(tree["resourceType"], tree["id"], json.dumps(tree).encode(), extract(tree))
            for name in delete:
                await txn.delete(*name.split("/"))

        run(self.store.write("put", work))

    def after(self, days):
        self.now = BEGAN + timedelta(days=days)

    def age(self, periods=ALL, *, rehearsed=False):
        eraser = Eraser(keys_of, "")

        async def erase(people):
            async for found in eraser.look_for_all(self.store, people):
                await eraser.erase(self.store, found, ERASURE, [], {})
            return len(people)

        def tell(names):
            self.told.append(sorted(set(names)))
            return []

        zone = ZoneInfo("UTC")
        ageing = Ageing(self.store, periods, self.now, zone, tell, rehearsed=rehearsed, told=lambda _: None)
        return run(ageing.run(erase))

    def people(self):
        async def collect():
            return {one.id async for one in self.store.changes() if one.type == "Patient" and not one.deleted}

        return run(collect())

    def versions(self, name):
        type_, _, id_ = name.partition("/")
        return [one.version for one in run(self.store.history(History((type_,), id_))).versions]


@pytest.fixture
def aged(opening):
    aged = Aged(opening)
    yield aged
    run(aged.store.close())


def patient(id_):
    return {"resourceType": "Patient", "id": id_}


def encounter(id_, who, end):
    period = {"start": "2019-12-01", "end": end}
    subject = {"reference": f"Patient/{who}"}
    return {
        "resourceType": "Encounter",
        "id": id_,
        "status": "finished",
        "subject": subject,
        "period": period,
    }


def observation(id_, who, status="final"):
    subject = {"reference": f"Patient/{who}"}
    return {"resourceType": "Observation", "id": id_, "status": status, "subject": subject}


def provenance(id_, target):
    return {"resourceType": "Provenance", "id": id_, "target": [{"reference": target}]}


def test_what_once_told_of_those_who_go_goes_with_them(aged):
    aged.write(*map(patient, ("ann", "ben", "seen")), encounter("e", "seen", "2023-01-01"))
    aged.write(observation("hers", "ann"), observation("stays", "seen"))
    aged.write(provenance("moved", "Observation/hers"), provenance("deleted", "Observation/hers"))
    aged.write(provenance("moved", "Observation/stays"), delete=["Provenance/deleted"])
    aged.after(1_200)
    assert aged.age(Periods(1_000, 0, 0, 0, 0)).people == 2
    assert aged.people() == {"seen"}
    assert aged.versions("Provenance/moved") == [2]
    assert aged.versions("Provenance/deleted") == []


def test_people_go_after_their_last_contact(aged):
    aged.write(*map(patient, ("long-ago", "seen", "written", "held")))
    aged.write(encounter("e1", "long-ago", "2020-01-01"), encounter("e2", "seen", "2022-01-01"))
    aged.after(500)
    aged.write(observation("o", "written"))
    run(aged.store.enter(Entry("hold", "held", 0, "{}")))
    aged.after(1_200)
    counted = aged.age(rehearsed=True)
    assert aged.people() == {"long-ago", "seen", "written", "held"}
    counts = aged.age()
    assert counts == counted
    assert (counts.people, counts.held) == (1, 1)
    assert aged.people() == {"seen", "written", "held"}
    assert run(aged.store.read("Encounter", "e1")) is None
    assert aged.age().people == 0
    aged.after(2_000)
    assert aged.age(Periods(0, 0, 0, 0, 0)).people == 0
    assert aged.age().people == 2


def test_versions_that_were_replaced_or_deleted_go_after_their_time(aged):
    aged.write(patient("ann"), patient("ben"))
    aged.write(observation("kept", "ann"), observation("gone", "ann"), observation("back", "ann"))
    aged.write(observation("held", "ben"), observation("held-gone", "ben"))
    target = {"reference": "Observation/held-gone"}
    aged.write({"resourceType": "Provenance", "id": "of-held", "target": [target]})
    run(aged.store.enter(Entry("hold", "ben", 0, "{}")))
    aged.after(10)
    aged.write(observation("kept", "ann", "amended"), observation("held", "ben", "amended"))
    names = ("Observation/gone", "Observation/back", "Observation/held-gone", "Provenance/of-held")
    aged.write(delete=names)
    aged.after(20)
    aged.write(observation("kept", "ann", "corrected"), observation("back", "ann"))

    aged.after(45)
    counts = aged.age()
    assert (counts.deleted, counts.superseded, counts.held) == (1, 0, 2)
    assert aged.versions("Observation/gone") == [2]
    assert aged.versions("Observation/back") == [3, 2, 1]
    aged.after(71)
    counts = aged.age()
    assert (counts.deleted, counts.superseded, counts.held) == (0, 2, 3)
    assert aged.versions("Observation/kept") == [3, 2]
    assert aged.versions("Observation/held") == [2, 1]
    assert aged.versions("Observation/back") == [3, 2]
    assert aged.told == [["Observation/gone"], ["Observation/back", "Observation/kept"]]
    assert run(aged.store.vread("Observation", "kept", 1)) is None
    assert run(aged.store.vread("Observation", "kept", 3)) is not None


def test_the_audit_trail_goes_from_its_beginning_but_not_behind_who_is_held(aged):
    other = EVENT._replace(subject="ben", targets=("Patient/ben",), body=EVENT.body.replace("ann", "ben"))

    def trail():
        async def collect():
            return [row async for row in aged.store.trail(LATEST)]

        return run(collect())

    for day, event in ((0, other), (100, EVENT), (200, other), (400, other)):
        aged.after(day)
        run(aged.store.audit([event]))
    run(aged.store.enter(Entry("hold", "ann", 0, "{}")))
    only_audit = Periods(0, 0, 0, 0, audit=150)
    whole = trail()
    counted = aged.age(only_audit, rehearsed=True)
    assert trail() == whole
    assert aged.age(only_audit) == counted
    left = trail()
    assert left == whole[counted.audited :]
    moment = next(row.recorded for row in left if EVENT.targets[0] in row.content)
    assert moment == left[0].recorded  # links of the same moment may come before it
    run(aged.store.archive("release", lambda archive: archive.ask(taken_away("hold", "ann"))))
    assert aged.age(only_audit).audited > 0
    assert "Patient/ann" not in "".join(row.content for row in trail())
    assert run(verify(aged.store)).faults == []
    assert aged.age(only_audit).audited == 0
