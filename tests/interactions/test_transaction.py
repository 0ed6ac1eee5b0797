import asyncio
import json

import pytest
from databases import rows_of

from service.errors import Conflict, Forbidden, InvalidInput, NotFound, PreconditionFailed, TooLarge
from service.fhir.json import parse
from service.interactions import transaction

PERSON = "urn:uuid:00000000-0000-4000-8000-00000000000a"
OTHER = "urn:uuid:00000000-0000-4000-8000-00000000000b"


def patient(value="1", **more):
    return {"resourceType": "Patient", "identifier": [{"system": "urn:x", "value": value}], **more}


def observation(subject=PERSON, **more):
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "x"},
        "subject": {"reference": subject},
        **more,
    }


def entry(method, url, resource=None, full_url="", **conditions):
    node = {"request": {"method": method, "url": url, **conditions}}
    return node | ({"fullUrl": full_url} if full_url else {}) | ({"resource": resource} if resource else {})


def bundle(*entries, type_="transaction"):
    return {"resourceType": "Bundle", "type": type_, **({"entry": list(entries)} if entries else {})}


def rows(client):
    """How many rows every table has."""
    return rows_of(client.store)


def statuses(answer):
    return [one["response"]["status"][:3] for one in answer["entry"]]


def tree(client, type_, id_):
    return parse(client.read(type_, id_).content)


@pytest.mark.conformance("C1")
def test_entries_are_written_together_and_answered_in_order(client):
    answer = client.process(
        bundle(
            entry("POST", "Observation", observation(), OTHER),
            entry("POST", "Patient", patient(), PERSON),
            entry(
                "PUT",
                "Goal/g",
                {
                    "resourceType": "Goal",
                    "id": "g",
                    "lifecycleStatus": "active",
                    "description": {"text": "x"},
                    "subject": {"reference": PERSON},
                },
            ),
        )
    )
    assert answer["type"] == "transaction-response"
    assert statuses(answer) == ["201", "201", "201"]
    assert answer["entry"][0]["response"]["location"] == "Observation/id-1/_history/1"
    assert answer["entry"][1]["response"]["etag"] == 'W/"1"'
    assert (
        answer["entry"][1]["response"]["lastModified"]
        == tree(client, "Patient", "id-2")["meta"]["lastUpdated"]
    )
    assert tree(client, "Observation", "id-1")["subject"] == {"reference": "Patient/id-2"}
    assert tree(client, "Goal", "g")["subject"] == {"reference": "Patient/id-2"}


@pytest.mark.conformance("C5")
def test_addresses_are_rewritten_everywhere_also_in_circles(client):
    first = observation(
        PERSON,
        text={
            "status": "generated",
            "div": f'<div xmlns="http://www.w3.org/1999/xhtml"><a href="{OTHER}">x</a></div>',
        },
        extension=[{"url": "http://x.example/e", "valueUri": OTHER}],
        hasMember=[{"reference": OTHER}],
        contained=[{"resourceType": "Condition", "id": "c", "subject": {"reference": PERSON}}],
        focus=[{"reference": "#c"}],
    )
    client.process(
        bundle(
            entry("POST", "Observation", first, "urn:uuid:first"),
            entry("POST", "Observation", observation(PERSON, focus=[{"reference": "urn:uuid:first"}]), OTHER),
            entry("POST", "Patient", patient(), PERSON),
        )
    )
    one, two = tree(client, "Observation", "id-1"), tree(client, "Observation", "id-2")
    assert one["hasMember"] == [{"reference": "Observation/id-2"}]
    assert two["focus"] == [{"reference": "Observation/id-1"}]
    assert 'href="Observation/id-2"' in one["text"]["div"]
    assert one["extension"][0] == {"url": "http://x.example/e", "valueUri": "Observation/id-2"}
    assert one["contained"][0]["subject"] == {"reference": "Patient/id-3"}
    assert one["focus"] == [{"reference": "#c"}]


@pytest.mark.conformance("C6")
def test_other_servers_addresses_of_entries_are_rewritten_with_their_version(client):
    there = "https://there.example/fhir/Patient/77"
    client.process(
        bundle(
            entry("POST", "Patient", patient(), there),
            entry("POST", "Observation", observation("Patient/77")),
            entry("POST", "Observation", observation(there)),
            entry("POST", "Observation", observation(f"{there}/_history/1")),
            entry("POST", "Observation", observation("Patient/78")),
        )
    )
    subjects = [tree(client, "Observation", f"id-{n}")["subject"]["reference"] for n in range(2, 6)]
    assert subjects == ["Patient/id-1", "Patient/id-1", "Patient/id-1/_history/1", "Patient/78"]


def test_numbers_keep_their_text_although_references_change(client):
    body = (
        b'{"resourceType":"Bundle","type":"transaction","entry":[{"fullUrl":"urn:uuid:p","resource":{"resourceType":"Patient"},'
        b'"request":{"method":"POST","url":"Patient"}},{"resource":{"resourceType":"Observation","status":"final","code":{"text":"x"},'
        b'"subject":{"reference":"urn:uuid:p"},"valueQuantity":{"value":1.0E2},"component":[{"code":{"text":"y"},"valueQuantity":{"value":72.50}}]},'
        b'"request":{"method":"POST","url":"Observation"}}]}'
    )
    asyncio.run(transaction.process(client.store, body, context=client.context))
    content = client.read("Observation", "id-2").content
    assert b"1.0E2" in content
    assert b"72.50" in content
    assert b'"Patient/id-1"' in content


@pytest.mark.conformance("C3")
def test_the_outcome_does_not_depend_on_the_order(client):
    client.update(patient(id="old"))
    answer = client.process(
        bundle(
            entry("GET", "Patient?identifier=urn:x|1"),
            entry("GET", "Patient/new"),
            entry("PUT", "Patient/new", patient(id="new")),
            entry("DELETE", "Patient/old"),
        )
    )
    assert statuses(answer) == ["200", "200", "201", "204"]
    assert [one["resource"]["id"] for one in answer["entry"][0]["resource"]["entry"]] == ["new"]
    assert answer["entry"][1]["resource"]["id"] == "new"


@pytest.mark.conformance("C2")
def test_a_failure_leaves_nothing_and_names_the_entry(client):
    client.update(patient(id="p"))
    before = rows(client)
    with pytest.raises(PreconditionFailed, match="Entry 2") as refused:
        client.process(
            bundle(
                entry("POST", "Observation", observation("Patient/p")),
                entry("PUT", "Patient/p", patient("2", id="p")),
                entry("PUT", "Patient/q", patient(id="q"), ifMatch='W/"3"'),
                entry("DELETE", "Patient/p2"),
            )
        )
    assert refused.value.issues[0].place.expression == "Bundle.entry[2]"
    assert rows(client) == before
    assert client.read("Patient", "p").version == 1


@pytest.mark.conformance("C2")
def test_every_invalid_resource_is_told_with_its_entry(client):
    with pytest.raises(InvalidInput) as refused:
        client.process(
            bundle(
                entry("POST", "Patient", patient(foo=1)),
                entry("POST", "Patient", patient()),
                entry("POST", "Patient", patient(active="x")),
            )
        )
    assert {issue.place.expression for issue in refused.value.issues} == {
        "Bundle.entry[0].resource",
        "Bundle.entry[2].resource.active",
    }


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        ({}, "needs a request"),
        (3, "needs a request"),
        ({"request": {"method": "LINK", "url": "Patient/1"}}, "method must be one of"),
        ({"request": {"method": "PATCH", "url": "Patient/1"}}, "needs a patch"),
        ({"request": {"method": "POST"}}, "not a resource type"),
        ({"request": {"method": "POST", "url": "Patient"}}, "needs a resource"),
        (entry("POST", "Patient/1", patient()), "can't be used with this url"),
        (entry("POST", "Patient/$validate", patient()), "can't be called here"),
        (entry("POST", "Observation", patient()), "must be Observation"),
        (entry("PUT", "Patient", patient()), "can't be used with this url"),
        (entry("PUT", "Patient?", patient()), "at least one search parameter"),
        (entry("DELETE", "Patient?"), "at least one search parameter"),
        (entry("PUT", "Patient/1", patient()), "id of the body"),
        (entry("GET", "Nope/1"), "not a resource type"),
        (entry("DELETE", "Patient"), "can't be used with this url"),
        (entry("POST", "Patient", patient(), ifNoneExist=3), "must be a string"),
    ],
)
def test_unusable_entries_are_named(client, bad, words):
    with pytest.raises(InvalidInput, match=words) as refused:
        client.process(bundle(entry("POST", "Patient", patient()), bad))
    assert [issue.place.expression for issue in refused.value.issues] == ["Bundle.entry[1]"]


@pytest.mark.conformance("C4")
def test_the_same_resource_twice_is_refused(client):
    client.update(patient(id="p"))
    cases = [
        [entry("PUT", "Patient/p", patient(id="p")), entry("PUT", "Patient/p", patient(id="p"))],
        [entry("PUT", "Patient/p", patient(id="p")), entry("DELETE", "Patient/p")],
        [entry("PUT", "Patient/p", patient(id="p")), entry("PUT", "Patient?identifier=urn:x|1", patient())],
        [
            entry("PUT", "Patient?identifier=urn:x|2", patient()),
            entry("PUT", "Patient?identifier=urn:x|2", patient()),
        ],
        [
            entry("POST", "Patient", patient(), ifNoneExist="identifier=urn:x|2"),
            entry("POST", "Patient", patient(), ifNoneExist="identifier=urn:x|2"),
        ],
    ]
    before = rows(client)
    for entries in cases:
        with pytest.raises(InvalidInput, match="written twice"):
            client.process(bundle(*entries))
    with pytest.raises(InvalidInput, match="same fullUrl"):
        client.process(
            bundle(
                entry("POST", "Patient", patient(), PERSON), entry("POST", "Patient", patient("2"), PERSON)
            )
        )
    assert rows(client) == before


@pytest.mark.conformance("C7")
def test_conditional_entries_point_to_what_they_matched(client):
    client.update(patient(id="p"))
    answer = client.process(
        bundle(
            entry("POST", "Patient", patient(), PERSON, ifNoneExist="identifier=urn:x|1"),
            entry("POST", "Observation", observation(PERSON)),
            entry("PUT", "Patient?identifier=urn:x|2", patient("2"), OTHER),
            entry("POST", "Observation", observation(OTHER)),
        )
    )
    assert statuses(answer) == ["200", "201", "201", "201"]
    assert answer["entry"][0]["response"]["location"] == "Patient/p/_history/1"
    subjects = [one["resource"]["subject"]["reference"] for one in client.search("Observation")["entry"]]
    assert subjects[0] == "Patient/p"
    assert subjects[1] == answer["entry"][2]["response"]["location"].removesuffix("/_history/1")


@pytest.mark.conformance("C8")
def test_conditional_references_are_resolved_also_to_what_is_written_now(client):
    client.update(patient("1", id="p"))
    client.process(
        bundle(
            entry("POST", "Observation", observation("Patient?identifier=urn:x|1"), OTHER),
            entry("POST", "Observation", observation("Patient?identifier=urn:x|2")),
            entry("POST", "Patient", patient("2", id="ignored"), PERSON),
            entry("POST", "Observation", observation("Patient?identifier=urn:x|3")),
            entry("PUT", "Patient?identifier=urn:x|3", patient("3")),
        )
    )
    subjects = {one["resource"]["subject"]["reference"] for one in client.search("Observation")["entry"]}
    two = client.search("Patient", ("identifier", "urn:x|2"))["entry"][0]["resource"]["id"]
    three = client.search("Patient", ("identifier", "urn:x|3"))["entry"][0]["resource"]["id"]
    assert subjects == {"Patient/p", f"Patient/{two}", f"Patient/{three}"}


@pytest.mark.conformance("C8")
@pytest.mark.parametrize(
    "reference",
    ["Patient?identifier=urn:x|9", "Patient?identifier=urn:x|1", "Nope?identifier=1", "Patient?foo=1"],
)
def test_a_conditional_reference_without_exactly_one_match_fails_all(client, reference):
    client.create(patient())
    client.create(patient())
    before = rows(client)
    with pytest.raises((PreconditionFailed, NotFound, InvalidInput), match="Entry 1"):
        client.process(
            bundle(
                entry("POST", "Patient", patient("5")), entry("POST", "Observation", observation(reference))
            )
        )
    assert rows(client) == before


@pytest.mark.conformance("C7", "C9")
def test_conditions_on_versions_and_reads(client):
    client.update(patient(id="p"))
    with pytest.raises(PreconditionFailed):
        client.process(bundle(entry("PUT", "Patient/p", patient("2", id="p"), ifMatch='W/"7"')))
    assert statuses(
        client.process(bundle(entry("PUT", "Patient/p", patient("2", id="p"), ifMatch='W/"1"')))
    ) == ["200"]
    answer = client.process(
        bundle(
            entry("GET", "Patient/p", ifNoneMatch='W/"2"'),
            entry("GET", "Patient/p", ifNoneMatch='W/"1"'),
            entry("GET", "Patient/p", ifModifiedSince="2027-01-01T00:00:00Z"),
            entry("GET", "Patient/p", ifModifiedSince="2020-01-01T00:00:00Z"),
        )
    )
    assert statuses(answer) == ["304", "200", "304", "200"]
    assert ["resource" in one for one in answer["entry"]] == [False, True, False, True]


@pytest.mark.conformance("C15")
def test_prefer_decides_what_comes_back(client):
    one = bundle(entry("POST", "Patient", patient()))
    assert "resource" not in client.process(one)["entry"][0]
    assert client.process(one, prefer="representation")["entry"][0]["resource"]["resourceType"] == "Patient"
    outcome = client.process(one, prefer="OperationOutcome")["entry"][0]["response"]["outcome"]
    assert outcome["resourceType"] == "OperationOutcome"


def test_an_unchanged_update_is_answered_with_the_version_there_is(client):
    client.process(bundle(entry("PUT", "Patient?identifier=urn:x|1", patient())))
    before = rows(client)
    answer = client.process(bundle(entry("PUT", "Patient?identifier=urn:x|1", patient())))
    assert answer["entry"][0]["response"]["location"].endswith("/_history/1")
    assert rows(client) == before


@pytest.mark.conformance("C12")
def test_an_empty_transaction_is_fine(client):
    assert client.process(bundle()) == {"resourceType": "Bundle", "type": "transaction-response"}
    assert client.process(bundle(type_="batch")) == {"resourceType": "Bundle", "type": "batch-response"}


@pytest.mark.parametrize(
    "body",
    [
        {"resourceType": "Patient"},
        {"resourceType": "Bundle"},
        bundle(type_="collection"),
        {"resourceType": "Bundle", "type": "batch", "entry": {}},
    ],
)
def test_other_bodies_are_refused(client, body):
    with pytest.raises(InvalidInput):
        client.process(body)


def test_too_many_entries_are_refused(client_with):
    with pytest.raises(TooLarge):
        client_with(max_bundle_entries=1).process(
            bundle(entry("GET", "Patient/1"), entry("GET", "Patient/2"))
        )


@pytest.mark.conformance("C11")
def test_in_a_batch_each_entry_stands_alone(client):
    client.update(patient(id="p"))
    answer = client.process(
        bundle(
            entry("POST", "Patient", patient(foo=1)),
            entry("POST", "Patient", patient("2")),
            entry("GET", "Patient/none"),
            entry("DELETE", "Patient/p"),
            entry("GET", "Patient/p"),
            {},
            entry("PUT", "Patient/p", patient(id="p"), ifMatch='W/"9"'),
            entry("GET", "Patient/p/_history"),
            entry("GET", "Patient/p/_history/1"),
            entry("GET", "Patient?_count=1"),
            entry("PATCH", "Patient/p"),
            type_="batch",
        )
    )
    assert answer["type"] == "batch-response"
    assert statuses(answer) == ["400", "201", "404", "204", "410", "400", "412", "200", "200", "200", "400"]
    assert answer["entry"][0]["response"]["outcome"]["issue"][0]["expression"] == ["Bundle.entry[0].resource"]
    assert answer["entry"][7]["resource"]["type"] == "history"


def test_history_is_not_read_inside_a_transaction(client):
    client.update(patient(id="p"))
    with pytest.raises(InvalidInput, match="not their history"):
        client.process(bundle(entry("GET", "Patient/p/_history/1")))


@pytest.mark.conformance("C14")
def test_each_entry_needs_its_right(client_with):
    def no_goals(action, type_):
        if (action, type_) == ("c", "Goal"):
            raise Forbidden("no")

    goal = {
        "resourceType": "Goal",
        "lifecycleStatus": "active",
        "description": {"text": "x"},
        "subject": {"reference": "Patient/p"},
    }
    client = client_with(allow=no_goals)
    entries = [entry("POST", "Patient", patient()), entry("POST", "Goal", goal)]
    with pytest.raises(Forbidden, match="Entry 1"):
        client.process(bundle(*entries))
    assert rows(client)["resource"] == 0
    assert statuses(client.process(bundle(*entries, type_="batch"))) == ["201", "403"]


def test_work_inside_an_open_transaction(client):
    """The visit intake writes this way: own comparison, own decisions, one commit."""
    requests = transaction.entries(
        bundle(entry("PUT", "Patient?identifier=urn:x|1", patient(language="en"), PERSON)),
        context=client.context,
    )
    transaction.check(requests, context=client.context)

    async def work(txn):
        first = await transaction.apply(txn, requests, context=client.context)
        again = transaction.entries(
            bundle(entry("PUT", "Patient?identifier=urn:x|1", patient(language="de"))), context=client.context
        )
        second = await transaction.apply(
            txn, again, context=client.context, same=lambda old, new: old["identifier"] == new["identifier"]
        )
        return first + second

    results = asyncio.run(client.store.write("work", work))
    assert [one.outcome for one in results] == ["created", "unchanged"]
    assert {one.version.id for one in results} == {"id-1"}


def test_an_existing_id_under_a_condition_that_matches_nothing_conflicts(client):
    client.update(patient(id="p"))
    with pytest.raises(Conflict, match="Entry 0"):
        client.process(bundle(entry("PUT", "Patient?identifier=urn:x|9", patient("9", id="p"))))


class _Watched:
    """A store whose transactions write down what is asked of them."""

    def __init__(self, store) -> None:
        self.store = store
        self.asked = []

    async def write(self, name, work):
        return await self.store.write(name, lambda txn: work(_WatchedTransaction(txn, self.asked)))


class _WatchedTransaction:
    def __init__(self, txn, asked) -> None:
        self._txn = txn
        self._asked = asked

    def __getattr__(self, name) -> object:
        self._asked.append(name)
        return getattr(self._txn, name)


def test_conditions_by_identifier_are_looked_for_all_at_once(client):
    client.create(patient("7", language="en"))
    watched = _Watched(client.store)
    requests = [entry("PUT", f"Patient?identifier=urn%3Ax%7C{n}", patient(str(n))) for n in range(5, 9)]
    requests.append(entry("POST", "Patient", patient("9"), ifNoneExist="identifier=urn:x|9"))
    body = json.dumps(bundle(*requests)).encode()
    asyncio.run(transaction.process(watched, body, context=client.context))
    assert watched.asked[:2] == ["find_all", "expect"]
    assert "search" not in watched.asked
    assert client.read("Patient", "id-1").version == 2


@pytest.mark.parametrize(
    ("condition", "value"),
    [
        (r"identifier=urn:x|a\,b", "a,b"),
        (r"identifier=urn:x|a\|b", "a|b"),
        (r"identifier=urn:x|a\\", "a\\"),
        ("identifier=urn%3Ax%7Ca+b", "a b"),
        ("identifier=a", "a"),
        ("identifier=urn:x|a&_id=id-1", "a"),
        ("identifier=urn:x|other,urn:x|a", "a"),
    ],
)
def test_a_condition_finds_the_same_however_it_is_written(client, condition, value):
    client.create(patient(value))
    answer = client.process(bundle(entry("PUT", f"Patient?{condition}", patient(value, language="en"))))
    assert statuses(answer) == ["200"]
    assert client.read("Patient", "id-1").version == 2
