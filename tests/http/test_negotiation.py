import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.requests import Request

from service.errors import NotAcceptable, UnsupportedMediaType
from service.rest.negotiation import (
    JSON_TYPES,
    XML_TYPES,
    answer_type,
    body_is_xml,
    content_type,
    media_type,
)


def request(query: str = "", **headers: str) -> Request:
    raw = [(name.replace("_", "-").encode(), value.encode("latin-1")) for name, value in headers.items()]
    return Request({"type": "http", "method": "GET", "headers": raw, "query_string": query.encode()})


@pytest.mark.conformance("A2", "A3")
@pytest.mark.published(
    "FHIR R4 http.html, Content Types and encodings: a generic type is answered with that type"
)
@pytest.mark.parametrize(
    ("accept", "answered"),
    [
        ("application/fhir+json", "application/fhir+json"),
        ("application/json", "application/json"),
        ("text/json", "text/json"),
        ("*/*", "application/fhir+json"),
        ("application/*", "application/fhir+json"),
        ("Application/FHIR+JSON", "application/fhir+json"),
        ("application/fhir+xml, application/fhir+json;q=0.5", "application/fhir+xml"),
        ("application/fhir+xml;q=0.4, application/fhir+json;q=0.5", "application/fhir+json"),
        ("application/xml", "application/xml"),
        ("text/xml", "text/xml"),
        ("application/fhir+xml; fhirVersion=4.0", "application/fhir+xml; fhirVersion=4.0"),
        ("application/json;q=0.5, application/fhir+json;q=0.9", "application/fhir+json"),
        ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", "application/xml"),
        ("application/fhir+json; fhirVersion=4.0", "application/fhir+json; fhirVersion=4.0"),
        ("", "application/fhir+json"),
    ],
)
def test_accept_chooses_the_type_of_the_answer(accept: str, answered: str) -> None:
    assert answer_type(request(accept=accept)) == answered


@pytest.mark.conformance("A7", "A8")
@pytest.mark.parametrize(
    "accept",
    [
        "text/turtle",
        "text/html",
        "application/fhir+xml; fhirVersion=5.0",
        "application/fhir+json; fhirVersion=5.0",
        "application/fhir+json;q=0",
        "application/fhir+json;q=x",
        "nonsense",
    ],
)
def test_what_is_not_offered_is_not_acceptable(accept: str) -> None:
    with pytest.raises(NotAcceptable):
        answer_type(request(accept=accept))


@pytest.mark.conformance("A5")
@pytest.mark.parametrize(
    "value", ["json", "application/json", "application/fhir+json", "application/fhir%2Bjson"]
)
def test_format_overrides_accept(value: str) -> None:
    assert answer_type(request(f"_format={value}", accept="application/fhir+xml")) in JSON_TYPES


@pytest.mark.conformance("A4", "A5")
@pytest.mark.parametrize(
    "value", ["xml", "text/xml", "application/xml", "application/fhir+xml", "application/fhir%2Bxml"]
)
def test_format_asks_for_xml(value: str) -> None:
    assert answer_type(request(f"_format={value}", accept="application/fhir+json")) in XML_TYPES


@pytest.mark.conformance("A5")
def test_an_unknown_format_is_not_acceptable_even_if_accept_is_fine() -> None:
    with pytest.raises(NotAcceptable):
        answer_type(request("_format=ttl", accept="application/json"))


@given(st.text(st.characters(max_codepoint=255), max_size=60))
def test_any_accept_header_is_answered_or_refused(accept: str) -> None:
    with contextlib.suppress(NotAcceptable):
        assert media_type(answer_type(request(accept=accept))).name in JSON_TYPES + XML_TYPES


@pytest.mark.conformance("A3")
@pytest.mark.parametrize(
    "sent",
    [
        "application/fhir+json",
        "application/json; charset=utf-8",
        'text/json; charset="UTF-8"',
        "application/fhir+json; fhirVersion=4.0",
    ],
)
def test_json_bodies_are_read(sent: str) -> None:
    assert not body_is_xml(request(content_type=sent))


@pytest.mark.conformance("A4")
@pytest.mark.parametrize("sent", ["application/fhir+xml", "text/xml; charset=utf-8", "application/xml"])
def test_xml_bodies_are_read(sent: str) -> None:
    assert body_is_xml(request(content_type=sent))


@pytest.mark.conformance("A7")
@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"content_type": "text/turtle"},
        {"content_type": "application/xml; charset=latin-1"},
        {"content_type": "application/fhir+xml; fhirVersion=5.0"},
        {"content_type": "application/json; charset=latin-1"},
        {"content_type": "application/fhir+json; fhirVersion=5.0"},
        {"content_type": "application/json", "content_encoding": "gzip"},
    ],
    ids=str,
)
def test_other_bodies_are_not(headers: dict[str, str]) -> None:
    with pytest.raises(UnsupportedMediaType):
        body_is_xml(request(**headers))


def test_a_refused_content_type_names_the_ones_that_work() -> None:
    with pytest.raises(UnsupportedMediaType, match="application/x-www-form-urlencoded"):
        content_type(request(content_type="text/plain"), ("application/x-www-form-urlencoded",))
