from service.fhir.bundle import Item, bundle
from service.fhir.json import parse


def test_stored_text_is_put_into_the_bundle_unchanged():
    stored = b'{ "resourceType":"Observation", "x":1.0E2 }'
    text = bundle(
        "searchset",
        [
            Item("http://b/Observation/1", stored, {"search": {"mode": "match"}}),
            Item(members={"response": {"status": "204"}}),
        ],
        total=1,
        links=[("self", "http://b/Observation?_id=1")],
    )
    assert stored in text
    tree = parse(text)
    assert tree["total"] == 1
    assert tree["link"] == [{"relation": "self", "url": "http://b/Observation?_id=1"}]
    assert tree["entry"][0]["search"] == {"mode": "match"}
    assert tree["entry"][1] == {"response": {"status": "204"}}


def test_an_empty_bundle_has_no_empty_array():
    assert parse(bundle("searchset", [], total=0)) == {
        "resourceType": "Bundle",
        "type": "searchset",
        "total": 0,
    }
