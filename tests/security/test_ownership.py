"""The written policy of whom resources belong to, and that nobody reads what is stored around it."""

import re
from pathlib import Path

import service
from service.fhir.search_parameters import is_owned, stored_types
from service.security.ownership import ownership, policy
from service.shipped import shipped

HOUSE = Path(service.__file__).parent
AROUND = {"rest/call.py", "rest/cds_hooks.py", "rest/health.py", "rest/research.py"}
"""Who takes the whole store: the places that confine it (by a token, for a CDS client), the look at its
health, the research export."""


def test_every_stored_type_is_in_the_policy_once():
    text = shipped("mappings", "security", "types.json").read_text("utf-8")
    named = re.findall(r'"([A-Z]\w+)"', text)
    assert sorted(named) == sorted(stored_types()) == sorted(policy())


def test_what_says_whose_it_is_is_owned_or_the_services_own():
    for type_ in stored_types():
        owned = ownership(type_) in {"owned", "service"}
        assert owned is is_owned(type_), type_


def test_a_type_nobody_has_thought_of_is_beyond():
    assert ownership("Invention") == "beyond"


def test_nobody_but_those_named_takes_the_whole_store():
    pattern = re.compile(r"\bservices(?:_of\(request\))?\.store\b|\bsummaries\.store\b")
    rooms = [HOUSE / "rest", HOUSE / "page", HOUSE / "operations", HOUSE / "interactions"]
    files = [HOUSE / "app.py", *(file for room in rooms for file in room.rglob("*.py"))]
    found = {str(file.relative_to(HOUSE)) for file in files if pattern.search(file.read_text("utf-8"))}
    assert found == AROUND
