"""What a searchset holds, in which order, in which pages (FHIR R4 search.html, http.html)."""

from urllib.parse import parse_qsl, urlsplit

import pytest

from service.errors import Forbidden, InvalidInput

UCUM = "http://unitsofmeasure.org"


def ids(bundle):
    return [
        entry["resource"]["id"] for entry in bundle.get("entry", []) if entry["search"]["mode"] == "match"
    ]


def link(bundle, relation):
    return next((one["url"] for one in bundle["link"] if one["relation"] == relation), None)


def follow(client, url):
    return client.search("Observation", *parse_qsl(urlsplit(url).query))


def observation(id_, **more):
    return {
        "resourceType": "Observation",
        "id": id_,
        "status": "final",
        "code": {"coding": [{"code": "x"}]},
        **more,
    }


@pytest.fixture
def filled(client):
    for number in range(1, 8):
        client.update(
            observation(
                f"o{number}", subject={"reference": "Patient/p"}, effectiveDateTime=f"2026-02-0{number}"
            )
        )
    return client


@pytest.mark.conformance("D4")
@pytest.mark.parametrize(
    "sort", [[], [("_sort", "-date")], [("_sort", "status,-_id")], [("_sort", "value-quantity")]]
)
def test_pages_are_walked_forth_and_back(filled, sort):
    pages = [filled.search("Observation", ("patient", "p"), ("_count", "3"), *sort)]
    while url := link(pages[-1], "next"):
        pages.append(follow(filled, url))
    forth = [ids(page) for page in pages]
    assert [len(page) for page in forth] == [3, 3, 1]
    assert sorted(one for page in forth for one in page) == [f"o{number}" for number in range(1, 8)]
    assert link(pages[0], "previous") is None
    back = [pages[-1]]
    while url := link(back[-1], "previous"):
        back.append(follow(filled, url))
    assert [ids(page) for page in back[::-1]] == forth
    assert ids(follow(filled, link(pages[-1], "first"))) == forth[0]


@pytest.mark.conformance("D4")
def test_pages_neither_repeat_nor_skip_while_others_write(filled):
    first = filled.search("Observation", ("_count", "3"), ("_sort", "date"))
    filled.update(observation("new", effectiveDateTime="2026-01-01"))
    filled.delete("Observation", "o3")  # the last one seen
    second = follow(filled, link(first, "next"))
    assert ids(second) == ["o4", "o5", "o6"]
    assert ids(follow(filled, link(second, "previous"))) == ["new", "o1", "o2"]


@pytest.mark.conformance("D4")
def test_a_page_link_belongs_to_its_search_and_is_not_to_be_changed(filled):
    page = filled.search("Observation", ("_count", "3"), ("patient", "p"))
    params = dict(parse_qsl(urlsplit(link(page, "next")).query))
    for changed in [
        {**params, "patient": "q"},
        {**params, "_sort": "date"},
        {**params, "_after": params["_after"][:-1]},
        {**params, "_after": "x" + params["_after"]},
        {**params, "_before": params["_after"]},
        {"_after": params["_after"]},
    ]:
        with pytest.raises(InvalidInput, match="page link"):
            filled.search("Observation", *changed.items())
    assert len(ids(filled.search("Observation", *{**params, "_count": "2"}.items()))) == 2


@pytest.mark.conformance("D3")
def test_the_self_link_has_what_was_used_well_encoded(client_with):
    client = client_with(lenient=True)
    code = "http://s.example/é|a b&c"
    bundle = client.search("Observation", ("code", code), ("nonsense", "1"), ("_sort", "-date"))
    url = link(bundle, "self")
    assert url == (
        "https://here.example/fhir/Observation?code=http://s.example/%C3%A9%7Ca%20b%26c&_sort=-date"
    )
    assert dict(parse_qsl(urlsplit(url).query)) == {"code": code, "_sort": "-date"}


@pytest.mark.conformance("D2", "D5", "D25")
def test_totals_and_counts(filled):
    bundle = filled.search("Observation", ("_count", "2"))
    assert (bundle["total"], len(ids(bundle))) == (7, 2)
    for params in ([("_count", "0")], [("_summary", "count")]):
        bundle = filled.search("Observation", *params)
        assert (bundle["total"], "entry" in bundle, len(bundle["link"])) == (7, False, 1)
    assert "total" not in filled.search("Observation", ("_total", "none"))
    assert filled.search("Observation", ("_total", "estimate"))["total"] == 7
    assert filled.search("Observation", ("_total", "accurate"))["total"] == 7


def test_included_resources_do_not_count(filled):
    filled.update({"resourceType": "Patient", "id": "p"})
    bundle = filled.search("Observation", ("_count", "2"), ("_include", "Observation:patient"))
    assert (bundle["total"], len(bundle["entry"])) == (7, 3)


SORTED = {
    # parameter: what three resources have of it, from the first to the last
    "date": [
        {"effectiveDateTime": "2026-01"},
        {"effectivePeriod": {"start": "2026-01-02", "end": "2026-03"}},
    ],
    "value-quantity": [{"valueQuantity": {"value": -3}}, {"valueQuantity": {"value": 20}}],
    "value-string": [{"valueString": "Aal"}, {"valueString": "äb"}, {"valueString": "B"}],
    "status": [{"status": "amended"}, {"status": "final"}],
    "method": [{"method": {"coding": [{"code": "a"}]}}, {"method": {"coding": [{"code": "b"}]}}],
    "subject": [{"subject": {"reference": "Group/1"}}, {"subject": {"reference": "Patient/1"}}],
    "_profile": [{"meta": {"profile": ["http://a"]}}, {"meta": {"profile": ["http://b"]}}],
    "_lastUpdated": [{}, {}],
    "_id": [{}, {}],
}


@pytest.mark.conformance("D23")
@pytest.mark.parametrize("name", SORTED)
def test_sorting_by_every_kind(client, name):
    for id_, members in zip("abc", SORTED[name], strict=False):
        client.update(observation(id_, **members))
    known = sorted("abc"[: len(SORTED[name])])
    bare = [] if name in {"_lastUpdated", "_id", "status"} else ["z"]
    if bare:
        client.update(observation("z"))
    assert ids(client.search("Observation", ("_sort", name))) == known + bare
    assert ids(client.search("Observation", ("_sort", f"-{name}"))) == known[::-1] + bare


@pytest.mark.conformance("D23")
def test_sorting_by_several_keys_is_stable(client):
    for id_, status, value in [("a", "final", 2), ("b", "final", 1), ("c", "amended", 1), ("d", "final", 2)]:
        client.update(observation(id_, status=status, valueQuantity={"value": value}))
    assert ids(client.search("Observation", ("_sort", "-value-quantity,status"))) == ["a", "d", "c", "b"]
    assert ids(client.search("Observation", ("_sort", "status"))) == ["c", "a", "b", "d"]
    for keys in ("nothing", "code-value-quantity", "", "-", "a,"):
        if keys:
            with pytest.raises(InvalidInput, match="_sort"):
                client.search("Observation", ("_sort", keys))


@pytest.mark.conformance("D24")
def test_parts_of_what_is_found(client):
    client.update(
        observation(
            "a",
            text={"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">x</div>'},
            subject={"reference": "Patient/p"},
            note=[{"text": "n"}],
            valueQuantity={"value": 1},
        )
    )
    client.update({"resourceType": "Patient", "id": "p", "gender": "female"})

    def members(*params):
        (entry, *_) = client.search("Observation", *params)["entry"]
        return set(entry["resource"]) - {"resourceType", "id", "meta"}, entry["resource"]["meta"].get("tag")

    subsetted = [
        {
            "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue",
            "code": "SUBSETTED",
            "display": "subsetted",
        }
    ]
    assert members(("_elements", "subject")) == ({"status", "code", "subject"}, subsetted)
    assert members(("_summary", "true")) == ({"status", "code", "subject", "valueQuantity"}, subsetted)
    assert members(("_summary", "text")) == ({"status", "code", "text"}, subsetted)
    whole = {"status", "code", "subject", "valueQuantity", "text", "note"}
    assert members(("_summary", "data")) == (whole - {"text"}, subsetted)
    assert members(("_summary", "false")) == (whole, None)
    bundle = client.search("Observation", ("_elements", "subject"), ("_include", "Observation:patient"))
    assert bundle["entry"][1]["resource"]["gender"] == "female"
    for params in [("_summary", "some"), ("_elements", ",")]:
        with pytest.raises(InvalidInput, match=params[0]):
            client.search("Observation", params)


@pytest.mark.conformance("D28")
def test_contained_resources_are_not_searched(client):
    assert client.search("Observation", ("_contained", "false"))["total"] == 0
    for params in [("_contained", "true"), ("_contained", "both"), ("_containedType", "container")]:
        with pytest.raises(InvalidInput, match="contained resources are not searched"):
            client.search("Observation", params)


@pytest.mark.conformance("D6")
def test_unknown_parameters(client_with):
    with pytest.raises(InvalidInput, match="'nonsense' is no search parameter"):
        client_with().search("Observation", ("nonsense", "1"))
    bundle = client_with(lenient=True).search("Observation", ("nonsense", "1"))
    (outcome,) = (entry["resource"] for entry in bundle["entry"] if entry["search"]["mode"] == "outcome")
    assert [issue["severity"] for issue in outcome["issue"]] == ["warning"]


@pytest.mark.conformance("D27", "D32", "D33")
@pytest.mark.parametrize("name", ["_text", "_content", "_filter", "_query"])
def test_what_is_not_offered_is_refused(client, name):
    with pytest.raises(InvalidInput, match=name):
        client.search("Observation", (name, "x"))
    with pytest.raises(InvalidInput, match="near"):
        client.search("Location", ("near", "1|2"))


BASE = "https://here.example/fhir"
GOAL = {
    "lifecycleStatus": "active",
    "description": {"text": "x"},
    "subject": {"reference": "Patient/p1"},
}


def a_list(*references, **more):
    entries = [{"item": {"reference": one}} for one in references]
    return {
        "resourceType": "List",
        "id": "l",
        "status": "current",
        "mode": "working",
        "entry": entries,
    } | more


@pytest.mark.conformance("D27")
def test_what_a_list_holds(client):
    for number in range(4):
        client.update({"resourceType": "Patient", "id": f"p{number}", "active": number > 1})
    client.update({"resourceType": "Goal", "id": "p3"} | GOAL)
    client.update(
        a_list("Patient/p1", f"{BASE}/Patient/p2", "Goal/p3", "Patient/gone", "https://x/Patient/p0")
    )

    def found(*params, type_="Patient"):
        return [one["resource"]["id"] for one in client.search(type_, *params).get("entry", [])]

    assert found(("_list", "l")) == found(("_list", "List/l")) == ["p1", "p2"]
    assert found(("_list", "l"), type_="Goal") == ["p3"]
    assert found(("_list", "l"), ("active", "true")) == ["p2"]
    assert found(("_list", "l,none"), ("_list", "none")) == []
    assert found(("_list", "none")) == found(("_list", "l"), type_="Observation") == []
    page = client.search("Patient", ("_list", "l"), ("_count", "1"))
    assert (page["total"], [link["relation"] for link in page["link"]]) == (2, ["self", "next"])
    assert "_list=l" in page["link"][1]["url"]
    entries = [{"item": {"reference": "Patient/p1"}, "deleted": True}, {"item": {"display": "nobody"}}]
    client.update(a_list(mode="changes", entry=entries))
    assert found(("_list", "l")) == []
    for value in ("", "$current-problems", "l,"):
        with pytest.raises(InvalidInput, match="id of a stored List"):
            client.search("Patient", ("_list", value))


@pytest.mark.conformance("D27")
def test_a_list_needs_the_right_to_read_it(client_with):
    def allow(_action, type_):
        if type_ == "List":
            raise Forbidden("No.")

    with pytest.raises(Forbidden):
        client_with(allow=allow).search("Patient", ("_list", "l"))
