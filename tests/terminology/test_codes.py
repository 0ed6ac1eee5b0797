"""The code tables and what is sent from them."""

import re
from typing import get_args

import pytest

from service.records import visit
from service.terminology.codes import EXERCISE, LOINC, OBSERVATION, SNOMED, VALUE, codes, slug

EVERYTHING = codes("all")


@pytest.mark.parametrize("row", EVERYTHING.rows(), ids=lambda row: row.key)
def test_every_row_says_how_sure_we_are_and_where_from(row):
    assert row.mark in {"S", "P", "local"}
    assert row.source
    assert row.licence in {
        "open", "loinc", "snomed-gps", "snomed-full", "icd", "icf", "nucc", "ucum",
    }  # fmt: skip
    assert (row.mark == "local") == row.system.startswith("https://swallow-interop.example.org/")


@pytest.mark.parametrize(
    "row", [row for row in EVERYTHING.rows() if row.mark == "local"], ids=lambda row: row.code
)
def test_local_codes_are_defined_in_kebab_case_and_point_at_listed_standards(row):
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", row.code)
    assert row.display
    assert row.definition.endswith(".")
    for key in (key for group in row.standard for key in group):
        assert EVERYTHING.has(*key.rsplit("|", 1)), key


def _words(annotation):
    """Every string a type allows, through unions, lists and Annotated."""
    for argument in get_args(annotation):
        if isinstance(argument, str):
            yield argument
        else:
            yield from _words(argument)


ANSWERS = {
    visit.Visit: ("type",),
    visit.Practitioner: ("role",),
    visit.Endoscopy: ("in_place",),
    visit.Anaesthetic: ("side",),
    visit.Adverse: ("event",),
    visit.Clearance: ("decision", "effort_limit"),
    visit.Bolus: ("delivery", "timing", "response", "residue_vallecula", "residue_elsewhere", "effect"),
    visit.SwallowStudy: ("view_quality", "sensation", "velar_function"),
    visit.Trial: (
        "block", "posture", "jaw", "intended", "level", "own_judgement", "effort", "feedback", "reason",
    ),
    visit.PlanLine: ("effort",),
    visit.PracticeDay: ("used_at_meals", "effort"),
    visit.Practice: ("entered_by",),
    visit.Goal: ("expressed_by",),
}  # fmt: skip
NOT_ANSWERS = {"not asked", "not done", "not observable"}


@pytest.mark.parametrize(
    ("model", "name"), [(model, name) for model, names in ANSWERS.items() for name in names]
)
def test_every_answer_of_the_visit_record_has_a_code(model, name):
    words = set(_words(model.model_fields[name].annotation)) - NOT_ANSWERS
    assert words
    assert {word for word in words if not EVERYTHING.has(VALUE, slug(word))} == set()


def test_every_manoeuvre_has_a_code():
    words = {*get_args(visit.Manoeuvre), *get_args(visit.BolusManoeuvre)}
    assert {word for word in words if not EVERYTHING.has(EXERCISE, slug(word))} == set()


def test_every_goal_measure_has_a_code():
    words = set(_words(visit.GoalTarget.model_fields["measure"].annotation))
    assert {word for word in words if not EVERYTHING.has(OBSERVATION, slug(word))} == set()


def test_standard_coding_stands_before_the_local_one():
    closure = EVERYTHING.concept("trial-closure")
    assert [coding["system"] for coding in closure["coding"]] == [SNOMED, OBSERVATION]
    assert closure["text"] == "Vocal fold closure in a trial, observed"


def test_a_closed_licence_is_left_out_when_only_the_free_set_is_allowed():
    def sent(setting, code):
        return [(c["system"], c["code"]) for c in codes(setting).concept(code)["coding"]]

    local = (OBSERVATION, "endoscopic-swallow-study")
    assert sent("all", "endoscopic-swallow-study") == [(SNOMED, "311834001"), local]
    assert sent("gps", "endoscopic-swallow-study") == [(SNOMED, "386053000"), local]
    assert sent("gps", "endoscopic-swallow-study-report")[0] == (LOINC, "78654-1")
    assert not [row for row in codes("gps").rows() if row.licence == "snomed-full"]


def _luhn_mod_10(code: str) -> bool:
    digits, check = code.split("-")
    total = 0
    for position, digit in enumerate(reversed(digits)):
        value = int(digit) * (2 if position % 2 == 0 else 1)
        total += value - 9 if value > 9 else value
    return (10 - total % 10) % 10 == int(check)


@pytest.mark.published("LOINC Users' Guide, check digit by modulus 10")
@pytest.mark.parametrize(
    "code",
    [row.code for row in EVERYTHING.rows() if row.system == LOINC and row.code[0].isdigit()],
)
def test_loinc_check_digits(code):
    assert _luhn_mod_10(code)


# Dihedral group D5 tables, J. Verhoeff 1969, as SNOMED CT identifiers use them.
_TIMES = [
    "0123456789", "1234067895", "2340178956", "3401289567", "4012395678",
    "5987604321", "6598710432", "7659821043", "8765932104", "9876543210",
]  # fmt: skip
_MOVE = [
    "0123456789", "1576283094", "5803796142", "8916043527",
    "9453126870", "4286573901", "2793806415", "7046913258",
]  # fmt: skip


def _verhoeff(code: str) -> bool:
    check = 0
    for position, digit in enumerate(reversed(code)):
        check = int(_TIMES[check][int(_MOVE[position % 8][int(digit)])])
    return check == 0


@pytest.mark.published("SNOMED CT Technical Implementation Guide, Verhoeff check digit")
@pytest.mark.parametrize("code", [row.code for row in EVERYTHING.rows() if row.system == SNOMED])
def test_snomed_check_digits(code):
    assert _verhoeff(code)
