"""Code systems told by a rule."""

from service.fhir import code_grammars
from service.fhir.code_grammars import told_by_form
from service.fhir.units import UCUM, is_unit


def test_what_is_known_without_the_parser_is_what_the_parser_takes():
    assert [unit for unit in sorted(code_grammars._USUAL_UNITS) if not is_unit(unit)] == []
    assert told_by_form(UCUM, "mm[Hg]")
    assert told_by_form(UCUM, "furlong") is False
