"""What an amendment changed of a signed visit: each part, before and after, who and when."""

import asyncio
from dataclasses import replace

import pytest
from intake_desk import CONTEXT, Desk
from sample_visits import visit_tree

from service.errors import Forbidden
from service.fhir.json import parse
from service.fhir.validation import errors
from service.operations.signed_changes import SignedChanges, answer_of, signed_changes

RECORD = "demo-01-visit-2"
SIGNED = {"state": "signed", "signed_at": "2026-02-10T12:00-05:00"}
UNSIGNED = {"state": "amended", "reason": "hold time mistyped"}
AGAIN = UNSIGNED | {"signed_at": "2026-02-12T09:00-05:00"}


def record(signature, *, hold=None, weight=None):
    tree = visit_tree(RECORD) | {"signature": signature}
    if hold is not None:
        tree["training"]["trials"][0]["hold_s"] = hold
    if weight is not None:
        tree["function"]["weight_kg"] = weight
    return tree


@pytest.fixture
def desk(tmp_path):
    desk = Desk(tmp_path)
    desk.send(visit_tree("demo-01-evaluation-1"), visit_tree("demo-01-visit-1"))
    desk.send(record(SIGNED, weight=71.5))
    yield desk
    asyncio.run(desk.store.close())


def changes(desk, context=CONTEXT):
    return asyncio.run(signed_changes(desk.store, desk.part(RECORD)["id"], context=context))


def told(found):
    return {
        (part.place, part.kind, one.path, one.before, one.after)
        for part in found.parts
        for one in part.elements
        if "visit-signature" not in one.path and one.path != "status" and "effective" not in one.path
    }


def hold(found):
    (one,) = [part for part in found.parts if part.place == "pre/1"]
    return {
        (element.before, element.after) for element in one.elements if element.path.endswith("Quantity.value")
    }


def test_nothing_changed_of_what_was_not_amended(desk):
    assert changes(desk) == SignedChanges()


def test_an_amendment_is_held_against_what_was_signed_waiting_and_signed_again(desk):
    version = desk.part(RECORD)["meta"]["versionId"]
    for signature in (UNSIGNED, AGAIN):
        desk.send(record(signature, hold=2))
        found = changes(desk)
        assert found.signed.endswith(f"/_history/{version}")
        assert found.at == "2026-02-10T12:00:00-05:00"
        assert hold(found) == {("1", "2")}
        removed = [one for one in found.parts if one.kind == "removed"]
        assert [one.what for one in removed] == ["Body weight"]
        assert all(one.after == "" for one in removed[0].elements)
        assert {part.place for part in found.parts} == {"", "pre/1", removed[0].place}
    assert not errors(parse(answer_of(found)))


def test_who_and_when_are_those_of_the_newest_version(desk):
    desk.send(record(UNSIGNED, hold=2))
    desk.send(record(AGAIN, hold=3))
    (one,) = [part for part in changes(desk).parts if part.place == "pre/1"]
    (clinician,) = [who for who in one.who if who.startswith("Practitioner/")]
    assert desk.read(clinician) is not None
    assert one.when == desk.part(f"{RECORD}/pre/1")["meta"]["lastUpdated"]


def test_the_next_amendment_is_held_against_the_one_before(desk):
    desk.send(record(AGAIN, hold=2, weight=71.5))
    version = desk.part(RECORD)["meta"]["versionId"]
    desk.send(record(UNSIGNED | {"reason": "weight mistyped"}, hold=2, weight=72.5))
    found = changes(desk)
    assert found.signed.endswith(f"/_history/{version}")
    assert "pre/1" not in {part.place for part in found.parts}
    assert ("71.5", "72.5") in {(one[3], one[4]) for one in told(found)}


def test_an_added_part_says_what_it_says_now(desk):
    tree = record(UNSIGNED, weight=71.5)
    tree["function"]["pneumonia_since_last_visit"] = 0
    tree["function"]["eat10_total"] = 12
    desk.send(tree)
    added = [one for one in changes(desk).parts if one.kind == "added"]
    assert len(added) == 1
    assert all(one.before == "" for one in added[0].elements)


def test_an_adverse_event_that_was_taken_away_is_told_though_it_was_deleted(desk):
    tree = record(SIGNED, weight=71.5)
    tree["visit"]["endoscopy"]["tolerance"] = [{"event": "gagging", "action": "stopped"}]
    tree["signature"]["signed_at"] = "2026-02-11T12:00-05:00"
    tree["signature"] |= {"state": "amended", "reason": "gagging forgotten"}
    desk.send(tree)
    desk.send(record(AGAIN, weight=71.5))
    (event,) = [one for one in changes(desk).parts if one.reference.startswith("AdverseEvent/")]
    assert (event.kind, event.place, event.what) == ("removed", "adverse/1", "Gagging")
    assert ("actuality", "actual", "") in {(one.path, one.before, one.after) for one in event.elements}
    assert desk.read(event.who[0]) is not None


def test_types_the_caller_may_not_read_are_left_out(desk):
    desk.send(record(UNSIGNED, hold=2))

    def allow(action, type_):
        if type_ != "Encounter":
            raise Forbidden(f"{type_}.{action}")

    found = changes(desk, replace(CONTEXT, allow=allow))
    assert {part.reference.partition("/")[0] for part in found.parts} == {"Encounter"}
    assert found.parts[0].who == ()
