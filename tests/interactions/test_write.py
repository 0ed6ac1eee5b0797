import asyncio
import json

import pytest

from service.errors import Conflict, Forbidden, Gone, InvalidInput, NotFound, PreconditionFailed
from service.fhir.json import parse
from service.interactions import write

GOAL = {
    "resourceType": "Goal",
    "lifecycleStatus": "active",
    "description": {"text": "closure"},
    "subject": {"reference": "Patient/p"},
}


def patient(value="1", **more):
    return {"resourceType": "Patient", "identifier": [{"system": "urn:x", "value": value}], **more}


def count(client, type_):
    return client.search(type_, ("_count", "0"))["total"]


@pytest.mark.conformance("B5")
def test_create_gives_its_own_id_and_version(client):
    applied = client.create(
        GOAL
        | {
            "id": "mine",
            "meta": {"versionId": "9", "lastUpdated": "2001-01-01T00:00:00Z", "tag": [{"code": "t"}]},
        }
    )
    tree = parse(applied.version.content)
    assert applied.outcome == "created"
    assert (tree["id"], tree["meta"]["versionId"]) == ("id-1", "1")
    assert tree["meta"]["lastUpdated"] == applied.version.last_updated == "2026-02-04T00:00:00.000Z"
    assert tree["meta"]["tag"] == [{"code": "t"}]


@pytest.mark.conformance("A19")
def test_the_text_sent_is_the_text_read(client):
    sent = (
        b'{ "resourceType" : "Observation",\n "id":"o", "status":"final", "code":{"text":"\\u00e9"},\n'
        b' "valueQuantity":{"value":72.50}, "effectiveDateTime":"2026-02-04T10:00:00+01:00",\n'
        b' "extension":[{"url":"http://unknown.example/x","valueDecimal":1.0E2}] }'
    )
    asyncio.run(write.update(client.store, "Observation", "o", sent, context=client.context))
    got = client.read("Observation", "o").content
    for piece in sent.split(b"\n")[1:]:
        assert piece in got


@pytest.mark.conformance("B4", "B8")
def test_update_counts_versions_and_keeps_the_old_ones(client):
    assert client.update(GOAL | {"id": "g"}).outcome == "created"
    applied = client.update(GOAL | {"id": "g", "lifecycleStatus": "completed"})
    assert (applied.outcome, applied.version.version) == ("updated", 2)
    assert parse(client.vread("Goal", "g", "1").content)["lifecycleStatus"] == "active"
    assert parse(client.read("Goal", "g").content)["lifecycleStatus"] == "completed"


@pytest.mark.conformance("B9")
def test_an_update_that_changes_nothing_writes_nothing(client):
    client.update(GOAL | {"id": "g"})
    again = dict(reversed(list((GOAL | {"id": "g", "meta": {"versionId": "7"}}).items())))
    applied = client.update(again)
    assert (applied.outcome, applied.version.version) == ("unchanged", 1)


@pytest.mark.conformance("A19", "B9")
def test_a_changed_precision_is_a_change(client):
    observation = (
        '{"resourceType":"Observation","id":"o","status":"final","code":{"text":"x"},'
        '"valueQuantity":{"value":%s}}'
    )
    for text, outcome in [
        ("72.5", "created"),
        ("72.50", "updated"),
        ("72.50", "unchanged"),
        ("7.25E1", "updated"),
    ]:
        body = (observation % text).encode()
        assert (
            asyncio.run(write.update(client.store, "Observation", "o", body, context=client.context)).outcome
            == outcome
        )


@pytest.mark.conformance("B7")
@pytest.mark.parametrize(
    ("tree", "id_", "words"),
    [
        (GOAL, "g", "id of the body"),
        (GOAL | {"id": "h"}, "g", "id of the body"),
        (GOAL | {"id": "a_b"}, "a_b", "1 to 64"),
        (GOAL | {"id": "x" * 65}, "x" * 65, "1 to 64"),
    ],
)
def test_an_update_with_a_wrong_id_is_refused(client, tree, id_, words):
    with pytest.raises(InvalidInput, match=words):
        client.update(tree, id_)


@pytest.mark.conformance("B7")
def test_the_body_must_be_of_the_type_asked_for(client):
    for body in (b'{"resourceType":"Patient"}', b"{}", b'{"resourceType":3}'):
        with pytest.raises(InvalidInput, match="must be Goal"):
            asyncio.run(write.create(client.store, "Goal", body, context=client.context))


def test_types_that_are_not_stored_are_not_found(client):
    for type_ in ("Bundle", "goal", "Nope", "Parameters"):
        with pytest.raises(NotFound, match="not a resource type this service stores"):
            client.create({"resourceType": type_})


@pytest.mark.conformance("B6")
def test_every_fault_of_the_body_is_told_and_nothing_written(client):
    with pytest.raises(InvalidInput) as refused:
        client.create({"resourceType": "Goal", "foo": 1, "note": []})
    assert {issue.place.expression for issue in refused.value.issues} == {"Goal", "Goal.note"}
    paths = {issue.place.path for issue in refused.value.issues}
    assert paths >= {"Goal.foo", "Goal.lifecycleStatus", "Goal.description", "Goal.subject"}
    assert count(client, "Goal") == 0


@pytest.mark.conformance("B10")
@pytest.mark.parametrize("tag", ['W/"1"', '"1"', "1", "*"])
def test_if_match_with_the_current_version_is_accepted(client, tag):
    client.update(GOAL | {"id": "g"})
    assert client.update(GOAL | {"id": "g", "lifecycleStatus": "on-hold"}, if_match=tag).outcome == "updated"


@pytest.mark.conformance("B10")
@pytest.mark.parametrize("tag", ['W/"2"', 'W/"x"', '"0"'])
def test_if_match_with_another_version_changes_nothing(client, tag):
    client.update(GOAL | {"id": "g"})
    with pytest.raises(PreconditionFailed):
        client.update(GOAL | {"id": "g", "lifecycleStatus": "on-hold"}, if_match=tag)
    with pytest.raises(PreconditionFailed):
        client.delete("Goal", "g", if_match=tag)
    assert client.read("Goal", "g").version == 1


def test_if_match_on_nothing_fails(client):
    for tag in ('W/"1"', "*"):
        with pytest.raises(PreconditionFailed):
            client.update(GOAL | {"id": "g"}, if_match=tag)


@pytest.mark.conformance("B11")
def test_two_updates_of_the_same_version_one_wins(client):
    client.update(GOAL | {"id": "g"})

    async def race():
        bodies = [GOAL | {"id": "g", "description": {"text": f"n{n}"}} for n in range(6)]
        tries = (
            write.update(
                client.store, "Goal", "g", json.dumps(body).encode(), context=client.context, if_match='W/"1"'
            )
            for body in bodies
        )
        return await asyncio.gather(*tries, return_exceptions=True)

    results = asyncio.run(race())
    assert sorted(type(result).__name__ for result in results) == ["Applied"] + ["PreconditionFailed"] * 5
    assert client.read("Goal", "g").version == 2


@pytest.mark.conformance("B20")
def test_delete_read_and_revive(client):
    client.update(GOAL | {"id": "g"})
    assert client.delete("Goal", "g").version.version == 2
    assert client.delete("Goal", "g").version.version == 2
    assert client.delete("Goal", "never").version is None
    with pytest.raises(Gone):
        client.read("Goal", "g")
    with pytest.raises(Gone):
        client.vread("Goal", "g", "2")
    assert count(client, "Goal") == 0
    revived = client.update(GOAL | {"id": "g"})
    assert (revived.outcome, revived.version.version) == ("created", 3)


@pytest.mark.conformance("B23")
def test_history_is_newest_first_and_deletions_have_no_resource(client):
    client.create(GOAL)
    client.update(GOAL | {"id": "id-1", "lifecycleStatus": "completed"})
    client.delete("Goal", "id-1")
    bundle = client.history("Goal", "id-1")
    assert (bundle["type"], bundle["total"]) == ("history", 3)
    assert [one["request"]["method"] for one in bundle["entry"]] == ["DELETE", "PUT", "POST"]
    assert [one["response"]["etag"] for one in bundle["entry"]] == ['W/"3"', 'W/"2"', 'W/"1"']
    assert ["resource" in one for one in bundle["entry"]] == [False, True, True]
    assert {one["fullUrl"] for one in bundle["entry"]} == {"https://here.example/fhir/Goal/id-1"}


def test_what_is_not_there_is_not_found(client):
    client.update(GOAL | {"id": "g"})
    for ask in (
        lambda: client.read("Goal", "h"),
        lambda: client.read("Patient", "g"),
        lambda: client.history("Goal", "h"),
        *(
            lambda text=text: client.vread("Goal", "g", text)
            for text in ("2", "0", "-1", "x", "1.0", "9" * 30, "")
        ),
    ):
        with pytest.raises(NotFound):
            ask()


@pytest.mark.conformance("B12")
def test_conditional_create(client):
    criteria = "identifier=urn:x|1"
    assert client.create(patient(), if_none_exist=criteria).outcome == "created"
    again = client.create(patient(active=True), if_none_exist=criteria)
    assert (again.outcome, again.version.id, again.version.version) == ("unchanged", "id-1", 1)
    client.create(patient())
    with pytest.raises(PreconditionFailed, match="Several Patient match"):
        client.create(patient(), if_none_exist=criteria)


@pytest.mark.conformance("B12")
def test_concurrent_conditional_creates_make_one(client):
    async def race():
        body = json.dumps(patient()).encode()
        tries = (
            write.create(
                client.store, "Patient", body, context=client.context, if_none_exist="identifier=urn:x|1"
            )
            for _ in range(6)
        )
        return await asyncio.gather(*tries)

    results = asyncio.run(race())
    assert sorted(result.outcome for result in results) == ["created"] + ["unchanged"] * 5
    assert count(client, "Patient") == 1


@pytest.mark.conformance("B13")
def test_conditional_update_follows_the_table_of_the_standard(client):
    criteria = "identifier=urn:x|1"
    assert client.update_matching(criteria, patient()).outcome == "created"  # no match, no id
    changed = client.update_matching(criteria, patient(active=True))  # one match, no id
    assert (changed.outcome, changed.version.id) == ("updated", "id-1")
    assert client.update_matching(criteria, patient(id="id-1")).outcome == "updated"  # one match, its id
    with pytest.raises(InvalidInput, match="another id"):
        client.update_matching(criteria, patient(id="other"))
    new = client.update_matching("identifier=urn:x|2", patient("2", id="own"))  # no match, unknown id
    assert (new.outcome, new.version.id) == ("created", "own")
    with pytest.raises(Conflict):
        client.update_matching("identifier=urn:x|3", patient("3", id="own"))
    client.create(patient())
    with pytest.raises(PreconditionFailed):
        client.update_matching(criteria, patient())


@pytest.mark.conformance("B14")
def test_conditional_delete(client):
    client.create(patient())
    client.create(patient("2"))
    client.create(patient("2"))
    assert client.delete_matching("Patient", "identifier=urn:x|9").version is None
    assert client.delete_matching("Patient", "identifier=urn:x|1").version.deleted
    with pytest.raises(PreconditionFailed):
        client.delete_matching("Patient", "identifier=urn:x|2")
    assert count(client, "Patient") == 2


@pytest.mark.conformance("B14")
@pytest.mark.parametrize("criteria", ["", "&", "_count=5", "foo=1", "identifier="])
def test_empty_or_unknown_criteria_never_delete(client, criteria):
    client.create(patient())
    with pytest.raises(InvalidInput):
        client.delete_matching("Patient", criteria)
    assert count(client, "Patient") == 1


def test_what_is_not_allowed_is_not_done(client_with):
    asked = []

    def only_reading(action, type_):
        asked.append((action, type_))
        if action != "r":
            raise Forbidden("no")

    client = client_with(allow=only_reading)
    for attempt in (
        lambda: client.create(GOAL),
        lambda: client.update(GOAL | {"id": "g"}),
        lambda: client.delete("Goal", "g"),
        lambda: client.search("Goal"),
    ):
        with pytest.raises(Forbidden):
            attempt()
    with pytest.raises(NotFound):
        client.read("Goal", "g")
    assert asked == [("c", "Goal"), ("u", "Goal"), ("d", "Goal"), ("s", "Goal"), ("r", "Goal")]


def test_a_read_by_a_reader_without_the_right_is_refused(client_with):
    def nothing(*_):
        raise Forbidden("no")

    client = client_with(allow=nothing)
    with pytest.raises(Forbidden):
        client.read("Goal", "g")
    with pytest.raises(Forbidden):
        client.history("Goal", "g")
    with pytest.raises(Forbidden):
        client.history()
