from msgspec import Raw
from msgspec.json import encode

from service.page.trial_grid import trial_grid
from service.records.views import Reference
from service.records.worded import WordedCoding, WordedConcept, WordedObservation

OBSERVATION = "https://swallow-interop.example.org/fhir/CodeSystem/swallow-observation"
VALUE = "https://swallow-interop.example.org/fhir/CodeSystem/swallow-value"


def said(code, system=VALUE):
    found = WordedConcept(coding=(WordedCoding(system=system, code=code),), text=code.replace("-", " "))
    return Raw(encode(found))


def part(code, **value):
    return {"code": said(code, OBSERVATION), **value}


def trial(id_, block, number, posture, seen="closed", *more):
    answers = (("training-block", block), ("posture", posture))
    parts = [part(code, valueCodeableConcept=said(text)) for code, text in answers]
    return WordedObservation(
        id=id_,
        concept_text=said(seen) if seen else Raw(b""),
        component_text=Raw(encode([*parts, part("trial-number", valueInteger=number), *more])),
    )


def judgement(of, answer):
    focus = (Reference(reference=f"Observation/{of}"),)
    return WordedObservation(focus=focus, concept_text=said(answer))


def test_a_row_per_posture_and_a_column_per_block_in_the_order_of_the_visit():
    trials = [
        trial("c", "post", 1, "chin-down"),
        trial("b", "pre", 2, "chin-down"),
        trial("a", "pre", 1, "head-neutral"),
        trial("d", "feedback", 1, "head-back"),
    ]
    grid = trial_grid(trials, [])
    assert grid.blocks == ("Before feedback", "With feedback", "After training")
    assert [(posture, [[one.id for one in cell] for cell in cells]) for posture, cells in grid.rows] == [
        ("head neutral", [["a"], [], []]),
        ("chin down", [["b"], [], ["c"]]),
        ("head back", [[], ["d"], []]),
    ]


def test_what_the_person_said_stands_beside_and_a_difference_is_marked():
    trials = [trial("a", "pre", 1, "head-neutral"), trial("b", "pre", 2, "chin-down", "not-closed")]
    grid = trial_grid(trials, [judgement("a", "closed"), judgement("b", "closed")])
    seen = [one for _, cells in grid.rows for one in cells[0]]
    assert [(one.seen, one.own, one.differs) for one in seen] == [
        ("closed", "said closed", False),
        ("open", "said closed", True),
    ]


def test_a_trial_that_could_not_be_seen_says_why():
    why = part("reason-not-rated", valueCodeableConcept=said("view-lost"))
    hold = part("hold-duration", valueQuantity={"value": 2, "code": "s"})
    (row,) = trial_grid([trial("a", "pre", 1, "chin-down", "", why, hold)], []).rows
    (one,) = row[1][0]
    assert (one.seen, one.observed, one.own, one.hold) == (
        "neither",
        "not observable: view lost",
        "not asked",
        "2 s",
    )


def test_trials_of_no_block_make_no_grid():
    assert trial_grid([WordedObservation(concept_text=said("closed"))], []) is None
