from copy import deepcopy

import pytest

from service.fhir.references import local_target, reference_texts, rewrite

URN = "urn:uuid:9d1b8c5e-0000-4000-8000-000000000001"


def test_addresses_are_rewritten_everywhere_they_can_stand():
    tree = {
        "resourceType": "Observation",
        "text": {"div": f"<div><a href=\"{URN}\">x</a><img src='{URN}'/> {URN}</div>"},
        "contained": [{"resourceType": "Condition", "subject": {"reference": URN}}],
        "extension": [
            {"url": URN, "valueReference": {"reference": URN}},
            {"url": "http://x", "valueUri": URN},
        ],
        "hasMember": [{"reference": URN}, {"reference": "Observation/2"}],
        "valueString": URN,
        "instantiatesCanonical": [URN],
    }
    asked = deepcopy(tree)
    tree = rewrite(tree, lambda text: "Patient/1" if text == URN else text)
    assert rewrite(asked, lambda text: text) is asked
    assert tree["text"]["div"] == f"<div><a href=\"Patient/1\">x</a><img src='Patient/1'/> {URN}</div>"
    assert reference_texts(tree) == ["Patient/1", "Patient/1", "Patient/1", "Observation/2"]
    assert tree["extension"][1]["valueUri"] == "Patient/1"
    assert tree["extension"][0]["url"] == URN  # the name of an extension is no address
    assert tree["valueString"] == URN
    assert tree["instantiatesCanonical"] == [URN]


def test_an_attachment_url_is_an_address():
    tree = {"resourceType": "DocumentReference", "content": [{"attachment": {"url": URN, "title": "x"}}]}
    asked = deepcopy(tree)
    assert rewrite(tree, lambda _: "Binary/1")["content"][0]["attachment"]["url"] == "Binary/1"
    assert tree == asked  # it may be needed again


@pytest.mark.parametrize(
    ("text", "target"),
    [
        ("Patient/1", "Patient/1"),
        ("Patient/1/_history/3", "Patient/1"),
        ("https://here/fhir/Patient/1", "Patient/1"),
        ("https://there/fhir/Patient/1", ""),
        ("#p", ""),
        ("urn:uuid:1", ""),
        ("Patient?identifier=a|b", ""),
    ],
)
def test_references_to_this_service_are_recognised(text, target):
    assert local_target(text, "https://here/fhir") == target
