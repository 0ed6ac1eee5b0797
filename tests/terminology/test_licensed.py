"""Under the setting 'gps' only the freely licensed codes of SNOMED CT are shown."""

import pytest

from service.fhir.json import reread
from service.fhir.terminology_files import own
from service.terminology.codes import SNOMED, codes
from service.terminology.licensed import licensed

FULL = {row.code for row in codes("all").rows() if row.licence == "snomed-full"}


@pytest.mark.parametrize(
    ("type_", "id_"),
    [(type_, id_) for type_ in ("CodeSystem", "ConceptMap", "ValueSet") for id_ in own(type_)],
)
def test_nothing_that_needs_a_licence_is_left(type_, id_):
    tree = reread(own(type_)[id_])
    assert licensed(tree, "all") == tree
    free = licensed(tree, "gps")
    concepts = {one["code"] for one in free.get("concept", [])}
    targets = {
        (group["target"], to["code"])
        for group in free.get("group", [])
        for one in group["element"]
        for to in one["target"]
    }
    if tree.get("supplements") == SNOMED:
        assert concepts == {one["code"] for one in tree["concept"]} - FULL
        assert FULL
    assert not targets & {(SNOMED, code) for code in FULL}
    assert all(one["target"] for group in free.get("group", []) for one in group["element"])
    assert (free == tree) == (
        (tree.get("supplements") != SNOMED and type_ != "ConceptMap") or id_ == "swallow-exercise-to-standard"
    )


def test_what_holds_no_codes_of_others_stays_as_it_is():
    """A Measure has groups too."""
    measure = {"resourceType": "Measure", "group": [{"code": {"text": "closure"}}]}
    assert licensed(measure, "gps") == measure
