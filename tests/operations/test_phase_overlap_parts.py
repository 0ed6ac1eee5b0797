"""Two phases compared, as the answer tells it: every number named, n beside it, and its variant said."""

import json
from decimal import Decimal
from fractions import Fraction

from service.attainment.phases import overlap
from service.operations.attainment_change import overlap_parts
from service.shipped import shipped

A, B = (20, 20, 26, 25, 22, 23), (28, 25, 24, 27, 30, 30, 29)


def told(a, b):
    found = overlap([Fraction(one) for one in a], [Fraction(one) for one in b])
    return {
        one["name"]: next(value for name, value in one.items() if name != "name")
        for one in overlap_parts(found)
    }


def declared():
    text = shipped("mappings", "operations", "goal-attainment.json").read_text("utf-8")
    (goal,) = [one for one in json.loads(text)["parameter"] if one["name"] == "goal"]
    (found,) = [one["part"] for one in goal["part"] if one["name"] == "phaseOverlap"]
    return {one["name"] for one in found}


def test_every_number_of_two_phases_is_told():
    found = told(A, B)
    assert (found["baselineValues"], found["laterValues"], found["standard"]) == (6, 7, "meets")
    numbers = [found[name] for name in ("nap", "napError", "tau", "tauU", "tauUBothTrends")]
    assert numbers == [Decimal(one) for one in ("0.916667", "0.077392", "0.833333", "0.738095", "0.928571")]
    assert (found["pnd"]["value"], found["pnd"]["code"]) == (Decimal("71.428571"), "%")
    assert found["pem"]["value"] == 100
    assert "A versus B less trend in A" in found["method"]
    assert found.keys() | {"reason"} == declared()


def test_phases_that_do_not_overlap_have_no_error_but_a_reason():
    found = told((20, 20, 40), (60, 80, 80, 100))
    assert (found["nap"], found["tauUBothTrends"]) == (1, Decimal("1.25"))
    assert found["reason"] == "complete separation: no interval"
    assert "napError" not in found


def test_without_a_phase_no_number_is_told():
    found = told((20,), (60, 80, 80))
    assert found.keys() == {"baselineValues", "laterValues", "standard", "reason", "method"}
