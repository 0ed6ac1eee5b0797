"""Values, prefixes and modifiers of each type of search parameter (FHIR R4 search.html)."""

import pytest

from service.errors import InvalidInput

UCUM = "http://unitsofmeasure.org"
SYSTEM = "http://s.example"


def ids(bundle):
    return [
        entry["resource"]["id"] for entry in bundle.get("entry", []) if entry["search"]["mode"] == "match"
    ]


@pytest.fixture
def finds(client):
    """Store trees under the ids a, b, c …, then search: answers the ids found."""

    def store(type_, *trees):
        for id_, tree in zip("abcdefghij", trees, strict=False):
            client.update({"resourceType": type_, "id": id_, **tree})
        return lambda *params: "".join(sorted(ids(client.search(type_, *params))))

    return store


def observation(**more):
    return {"status": "final", "code": {"coding": [{"system": SYSTEM, "code": "x"}]}, **more}


def amount(value, code=None, **more):
    unit = {"system": UCUM, "code": code, "unit": code} if code else {}
    return observation(valueQuantity={"value": value, **unit, **more})


@pytest.mark.conformance("D10", "D16")
@pytest.mark.parametrize(
    ("value", "found"),
    [
        ("100", "bc"),  # two halves of the last digit: [99.5, 100.5)
        ("100.0", "c"),
        ("1e2", "abcd"),  # 95 to 105
        ("1.0e2", "abcd"),
        ("1.00e2", "bc"),
        ("eq100", "bc"),
        ("ne100", "ad"),
        ("gt100", "d"),
        ("lt100", "ab"),
        ("ge100", "cd"),
        ("le100", "abc"),
        ("sa100", "d"),
        ("eb100", "ab"),
        ("ap100", "abcd"),
        ("ap89", ""),
        ("ap92", "abcd"),
        ("99.5", "b"),
    ],
)
def test_numbers_have_the_precision_they_are_written_in(finds, value, found):
    search = finds("Observation", amount(99.4), amount(99.5), amount(100), amount(100.5))
    assert search(("value-quantity", value)) == found


@pytest.mark.conformance("D16")
def test_quantities_in_their_units(finds):
    search = finds(
        "Observation",
        amount(5.4, "mg"),
        amount(0.0054, "g"),
        amount(5.4, "g"),
        amount(5.4),
        observation(valueQuantity={"value": 5.4, "unit": "drops", "system": "http://u", "code": "gtt"}),
        amount(5.4, "{unheard-of}"),
    )
    for params, found in {
        f"5.4|{UCUM}|mg": "ab",
        f"5.4e-3|{UCUM}|g": "ab",
        f"gt5|{UCUM}|g": "c",
        f"lt1|{UCUM}|kg": "abc",
        "5.4||mg": "a",
        "5.4||drops": "e",
        "5.4||gtt": "e",
        "5.4|http://u|gtt": "e",
        "5.4": "acdef",
        f"5.4|{UCUM}|{{unheard-of}}": "f",
        f"5.4|{UCUM}|mL": "",
    }.items():
        assert search(("value-quantity", params)) == found, params


@pytest.mark.conformance("D16")
def test_a_comparator_makes_a_range(finds):
    search = finds("Observation", amount(5, comparator="<"), amount(5, comparator=">="), amount(5))
    assert search(("value-quantity", "gt4")) == "abc"
    assert search(("value-quantity", "lt5")) == "a"
    assert search(("value-quantity", "ge100")) == "b"
    assert search(("value-quantity", "5")) == "c"


@pytest.mark.conformance("D16")
def test_temperatures_are_not_only_scaled(finds):
    search = finds("Observation", amount(37, "Cel"), amount(98.6, "[degF]"))
    assert search(("value-quantity", f"37|{UCUM}|Cel")) == "ab"
    assert search(("value-quantity", f"gt310|{UCUM}|K")) == "ab"


@pytest.mark.conformance("D11")
@pytest.mark.parametrize(
    ("value", "found"),
    [
        ("2026-02", "a"),
        ("2026", "abc"),
        ("2026-02-04T10:30:00Z", ""),
        ("ne2026-02", "bcde"),
        ("gt2026-02", "bcde"),
        ("lt2026-02", "e"),
        ("ge2026-02", "abcde"),
        ("le2026-02", "ae"),
        ("sa2026-02", "bd"),
        ("eb2026-03", "a"),
        ("ap2026-02", "abe"),
        ("2026-02-04T11:30:00+01:00", ""),
        ("2026-02-04", "a"),
    ],
)
def test_dates_are_intervals(finds, value, found):
    search = finds(
        "Observation",
        observation(effectiveDateTime="2026-02-04"),
        observation(effectiveDateTime="2026-03-01T10:30:00Z"),
        observation(effectivePeriod={"start": "2026-02-20", "end": "2026-03-02"}),
        observation(effectivePeriod={"start": "2027"}),
        observation(effectivePeriod={"start": "2020-01-01"}),
    )
    if value.startswith(("gt", "ne")):
        assert search(("date", value)) == found
    else:
        assert set(search(("date", value))) - {"c"} == set(found) - {"c"}


@pytest.mark.conformance("D11")
def test_a_date_without_offset_is_read_in_the_zone_of_the_site(finds):
    search = finds("Observation", observation(effectiveDateTime="2026-02-04T23:30:00-05:00"))
    assert search(("date", "2026-02-05")) == "a"
    assert search(("date", "2026-02-04T23:30:00-05:00")) == "a"
    assert search(("date", "2026-02-05T04:30")) == "a"


@pytest.mark.conformance("D12")
def test_strings(finds):
    search = finds(
        "Patient",
        {
            "name": [{"family": "Müller", "given": ["Ann-Marie"]}],
            "address": [{"city": "Köln", "line": ["Weg 1"]}],
        },
        {"name": [{"text": "Anna muller"}]},
        {"name": [{"family": "MULLER"}]},
    )
    for params, found in {
        ("family", "mull"): "ac",
        ("family:exact", "MULLER"): "c",
        ("name:contains", "ULLE"): "abc",
        ("given", "ann"): "a",
        ("name", "ann"): "ab",
        ("address", "koln"): "a",
        ("address", "weg"): "a",
        ("address-city", "Köln"): "a",
    }.items():
        assert search(params) == found, params


@pytest.mark.conformance("D13")
def test_tokens(finds):
    search = finds(
        "Patient",
        {
            "active": True,
            "gender": "female",
            "identifier": [{"system": "urn:a", "value": "1"}],
            "telecom": [{"system": "phone", "value": "555"}],
        },
        {"active": False, "identifier": [{"value": "1"}]},
    )
    for params, found in {
        ("identifier", "1"): "ab",
        ("identifier", "urn:a|1"): "a",
        ("identifier", "|1"): "b",
        ("identifier", "urn:a|"): "a",
        ("active", "true"): "a",
        ("active", "false,true"): "ab",
        ("gender", "female"): "a",
        ("gender", "http://hl7.org/fhir/administrative-gender|female"): "a",
        ("gender", "http://other|female"): "",
        ("phone", "555"): "a",
        ("email", "555"): "",
        ("telecom", "555"): "a",
        ("deceased", "false"): "ab",
    }.items():
        assert search(params) == found, params


@pytest.mark.conformance("D14")
def test_modifiers_of_tokens(finds):
    typed = {"coding": [{"system": "http://t", "code": "MR"}], "text": "Record number"}
    search = finds(
        "Observation",
        observation(
            method={"coding": [{"system": SYSTEM, "code": "a", "display": "Éndoscopy wide"}]},
            identifier=[{"system": "urn:a", "value": "1", "type": typed}],
        ),
        observation(method={"text": "by eye"}),
        observation(),
    )
    for params, found in {
        ("method:not", "a"): "bc",
        ("method:not", f"{SYSTEM}|a,b"): "bc",
        ("method:text", "endo"): "a",
        ("method:text", "By Eye"): "b",
        ("method:text", "eye"): "",
        ("identifier:of-type", "http://t|MR|1"): "a",
        ("identifier:of-type", "http://t|SS|1"): "",
        ("identifier:text", "record"): "a",
    }.items():
        assert search(params) == found, params


@pytest.mark.conformance("D14")
def test_codes_of_a_stored_value_set_and_code_system(client, finds):
    client.update(
        {
            "resourceType": "ValueSet",
            "id": "v",
            "url": "http://v",
            "status": "active",
            "version": "2",
            "compose": {
                "include": [
                    {"system": SYSTEM, "concept": [{"code": "a"}, {"code": "b"}]},
                    {"valueSet": ["http://w"]},
                ],
                "exclude": [{"system": SYSTEM, "concept": [{"code": "b"}]}],
            },
        }
    )
    client.update(
        {
            "resourceType": "ValueSet",
            "id": "w",
            "url": "http://w",
            "status": "active",
            "expansion": {"timestamp": "2026", "contains": [{"system": SYSTEM, "code": "d"}]},
        }
    )
    client.update(
        {
            "resourceType": "CodeSystem",
            "id": "s",
            "url": SYSTEM,
            "status": "active",
            "content": "complete",
            "concept": [{"code": "a", "concept": [{"code": "b", "concept": [{"code": "c"}]}]}, {"code": "d"}],
        }
    )
    search = finds(
        "Observation", *(observation(method={"coding": [{"system": SYSTEM, "code": one}]}) for one in "abcd")
    )
    for params, found in {
        ("method:in", "http://v"): "ad",
        ("method:in", "http://v|2"): "ad",
        ("method:in", "ValueSet/w"): "d",
        ("method:not-in", "http://v"): "bc",
        ("method:below", f"{SYSTEM}|b"): "bc",
        ("method:above", f"{SYSTEM}|b"): "ab",
    }.items():
        assert search(params) == found, params
    for name, value in [
        ("method:in", "http://nowhere"),
        ("method:in", "http://v|3"),
        ("method:below", f"{SYSTEM}|zz"),
        ("method:below", "b"),
    ]:
        with pytest.raises(InvalidInput, match="not stored here, or can't be listed"):
            search((name, value))


@pytest.mark.conformance("D14")
def test_codes_of_value_sets_and_code_systems_that_travel_with_the_program(finds):
    maps, cues = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation", "cue-level"
    own = "https://swallow-interop.example.org/fhir"
    coded = [(maps, "H"), (maps, "HH"), (f"{own}/CodeSystem/swallow-value", "independent")]
    search = finds(
        "Observation",
        *(observation(method={"coding": [{"system": system, "code": code}]}) for system, code in coded),
    )
    for params, found in {
        ("method:in", "http://hl7.org/fhir/ValueSet/observation-interpretation"): "ab",
        ("method:in", f"{own}/ValueSet/{cues}"): "c",
        ("method:not-in", f"{own}/ValueSet/{cues}"): "ab",
        ("method:below", f"{maps}|A"): "ab",
        ("method:above", f"{maps}|HU"): "a",
    }.items():
        assert search(params) == found, params
    with pytest.raises(InvalidInput, match="can't be listed"):
        search(("method:in", "http://hl7.org/fhir/ValueSet/body-site"))


@pytest.mark.conformance("D15")
def test_references(finds):
    base = "https://here.example/fhir"
    search = finds(
        "Observation",
        observation(subject={"reference": "Patient/p"}),
        observation(subject={"reference": f"{base}/Patient/p/_history/3"}),
        observation(subject={"reference": "Group/p"}),
        observation(subject={"reference": "http://there.example/Patient/p"}),
        observation(subject={"identifier": {"system": "urn:s", "value": "9"}}),
    )
    for params, found in {
        ("subject", "p"): "abc",
        ("subject", "Patient/p"): "ab",
        ("subject", f"{base}/Patient/p"): "ab",
        ("subject", f"{base}/Patient/p/_history/3"): "ab",
        ("subject", "http://there.example/Patient/p"): "d",
        ("subject:Group", "p"): "c",
        ("subject:identifier", "urn:s|9"): "e",
        ("patient", "p"): "ab",
        ("patient:missing", "true"): "ce",
    }.items():
        assert search(params) == found, params


@pytest.mark.conformance("D15", "D17")
def test_canonical_references_and_uris(client, finds):
    search = finds(
        "QuestionnaireResponse",
        {"status": "completed", "questionnaire": "http://q.example/a|1"},
        {"status": "completed", "questionnaire": "http://q.example/a|2"},
        {"status": "completed", "questionnaire": "http://q.example/b"},
    )
    assert search(("questionnaire", "http://q.example/a")) == "ab"
    assert search(("questionnaire", "http://q.example/a|2")) == "b"
    client.update(
        {"resourceType": "Questionnaire", "id": "q", "status": "draft", "url": "http://u.example/x/y"}
    )
    for name, value, count in [
        ("url", "http://u.example/x/y", 1),
        ("url", "http://u.example/x", 0),
        ("url:below", "http://u.example/x", 1),
        ("url:above", "http://u.example/x/y/z", 1),
        ("url:above", "http://u.example/x", 0),
    ]:
        assert len(ids(client.search("Questionnaire", (name, value)))) == count, (name, value)


def component(code, value):
    return {
        "code": {"coding": [{"system": SYSTEM, "code": code}]},
        "valueQuantity": {"value": value, "unit": "u"},
    }


@pytest.mark.conformance("D18")
def test_both_parts_of_a_composite_stand_in_the_same_element(finds):
    search = finds(
        "Observation",
        observation(component=[component("sys", 120), component("dia", 80)]),
        observation(component=[component("sys", 80), component("dia", 120)]),
        amount(120),
    )
    name = "component-code-value-quantity"
    assert search((name, "sys$120")) == "a"
    assert search((name, f"{SYSTEM}|sys$gt100")) == "a"
    assert search((name, "sys$lt100,dia$lt100")) == "ab"
    assert search((name, "sys$120"), (name, "dia$120")) == ""
    assert search(("combo-code-value-quantity", "x$120")) == "c"
    assert search(("combo-code-value-quantity", "sys$120")) == "a"
    assert search(("code-value-quantity", "sys$120")) == ""
    for value in ("sys", "sys$120$3", "$120", "sys$", "sys$x"):
        with pytest.raises(InvalidInput, match="component-code-value-quantity"):
            search((name, value))


@pytest.mark.conformance("D18")
def test_composites_of_other_types(finds):
    document = {"status": "current", "content": [{"attachment": {"url": "http://x"}}]}

    def related(code, target):
        return {
            **document,
            "relatesTo": [{"code": code, "target": {"reference": f"DocumentReference/{target}"}}],
        }

    search = finds("DocumentReference", related("replaces", "x"), related("appends", "x"), document)
    assert search(("relationship", "replaces$DocumentReference/x")) == "a"
    assert search(("relationship", "appends$x")) == "b"


@pytest.mark.conformance("D19")
@pytest.mark.parametrize(
    "name",
    ["subject", "date", "value-quantity", "method", "value-string", "identifier", "_profile", "patient"],
)
def test_missing(finds, name):
    search = finds(
        "Observation",
        observation(
            subject={"reference": "Patient/p"},
            effectiveDateTime="2026",
            valueQuantity={"value": 1},
            method={"text": "m"},
            identifier=[{"value": "1"}],
            meta={"profile": ["http://p"]},
        ),
        observation(valueString="s"),
        observation(
            dataAbsentReason={"text": "none"},
            _effectiveDateTime={"extension": [{"url": "http://e", "valueCode": "unknown"}]},
        ),
    )
    there = "b" if name == "value-string" else "a"
    assert search((f"{name}:missing", "false")) == there
    assert search((f"{name}:missing", "true")) == "abc".replace(there, "")
    if name != "value-string":
        both = (("subject", "Patient/p"), (f"{name}:missing", "false"))
        assert search(*both) == "a"
    with pytest.raises(InvalidInput, match="true or false"):
        search((f"{name}:missing", "1"))


@pytest.mark.conformance("D9")
def test_repeats_alternatives_and_escapes(finds):
    search = finds(
        "Observation",
        *(observation(method={"coding": [{"code": one}]}) for one in ("a,b", "a|b", "a$b", "a\\b", "a")),
    )
    for value, found in {r"a\,b": "a", r"a\|b": "b", r"a\$b": "c", r"a\\b": "d", r"a,a\,b": "ae"}.items():
        assert search(("method", value)) == found, value
    assert search(("method", "a"), ("method", r"a\|b")) == ""


@pytest.mark.conformance("D7", "D8")
@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("date:exact", "2020"),
        ("code:contains", "x"),
        ("value-string:not", "x"),
        ("value-quantity:missing", "maybe"),
        ("subject:Device:x", "1"),
        ("code-value-quantity:missing", "true"),
        ("date", "2020-13"),
        ("date", "zz2020"),
        ("value-quantity", "abc"),
        ("value-quantity", "xx5"),
        ("value-quantity", "5|x"),
        ("value-quantity", "5|http://u|"),
        ("value-quantity", "1e9999"),
        ("identifier:of-type", "a|b"),
        ("_id:not", "1"),
        ("_lastUpdated", "soon"),
    ],
)
def test_what_is_not_supported_is_refused_also_when_lenient(client_with, name, value):
    with pytest.raises(InvalidInput) as refused:
        client_with(lenient=True).search("Observation", (name, value))
    (issue,) = refused.value.issues
    assert issue.place.expression == f"http.{name.partition(':')[0]}"
    assert issue.message.endswith(".")


@pytest.mark.conformance("D26")
def test_parameters_that_every_type_has(finds):
    search = finds(
        "Observation",
        observation(
            meta={
                "tag": [{"system": "http://t", "code": "one"}],
                "security": [{"code": "R"}],
                "profile": ["http://p.example/x|1"],
                "source": "http://source.example/a",
            }
        ),
        observation(),
    )
    for params, found in {
        ("_id", "a,b"): "ab",
        ("_id", "b"): "b",
        ("_tag", "http://t|one"): "a",
        ("_tag:not", "one"): "b",
        ("_security", "R"): "a",
        ("_profile", "http://p.example/x"): "a",
        ("_profile", "http://p.example/x|1"): "a",
        ("_source", "http://source.example/a"): "a",
        ("_source:below", "http://source.example"): "a",
        ("_lastUpdated", "2026-02"): "ab",
        ("_lastUpdated", "gt2026-03"): "",
    }.items():
        assert search(params) == found, params
