"""The swallow study: procedure, report, one Observation per bolus and per finding of the study as a whole."""

from decimal import Decimal

from service.records.draft import HL7, US_CORE, About, Draft
from service.records.elements import (
    Element,
    absent,
    coded,
    day,
    flag,
    measured,
    present,
    reference,
    text,
    whole,
)
from service.records.narrative import narrative
from service.records.training import add_procedure
from service.records.visit import Bolus, Practitioner, SwallowStudy
from service.terminology.codes import LOINC

__all__ = ["add_study"]

_CODES = {"endoscopic": "endoscopic-swallow-study", "videofluoroscopic": "videofluoroscopic-swallow-study"}
_CATEGORY = {"endoscopic": "exam", "videofluoroscopic": "imaging"}
_NOT_TESTED = absent("not-performed", "Not Performed")


def add_study(draft: Draft, study: SwallowStudy) -> None:
    """Everything a study found, and the report that holds it together."""
    on = day(study.date)
    examiner = draft.clinician(study.examiner)
    procedure = add_procedure(draft, _CODES[study.method], path="study/procedure", performedDateTime=on)
    raters = [draft.practitioner(one) for one in study.raters] or [examiner]
    shared: About = {"effective": on, "performer": raters, "partOf": [procedure]}
    category = _CATEGORY[study.method]
    results = [
        draft.clinical_test(f"study/{path}", code, category, value, **shared)
        for path, code, value in _findings(draft, study)
    ]
    shared["components"] = _conditions(draft, study)
    conditions = draft.clinical_test("study/conditions", "study-conditions", category, **shared)
    boluses = []
    for bolus in study.boluses:
        shared["components"] = _components(draft, bolus)
        path = f"study/bolus/{bolus.sequence}"
        boluses.append(draft.clinical_test(path, "bolus-swallow", category, **shared))
    _add_report(draft, study, [conditions, *results, *boluses], examiner)


def _add_report(draft: Draft, study: SwallowStudy, results: list[str], examiner: str) -> None:
    code = draft.codes.concept(f"{_CODES[study.method]}-report")
    x_ray = study.method == "videofluoroscopic"
    category = (LOINC, "LP29684-5") if x_ray else (f"{HL7}v2-0074", "OTH")
    body = {
        "text": narrative(code["text"], [("Date", day(study.date)), ("Boluses", str(len(study.boluses)))]),
        "status": "final",
        "category": [{"coding": [draft.codes.coding(*category)]}],
        "code": code,
        "subject": draft.subject(),
        "encounter": reference(draft.encounter),
        "effectiveDateTime": day(study.date),
        "performer": [reference(examiner)],
        **present(resultsInterpreter=_references(draft, study.raters)),
        "result": [reference(one) for one in results],
    }
    draft.add("DiagnosticReport", "study", body, profile=f"{US_CORE}us-core-diagnosticreport-note")


def _references(draft: Draft, people: list[Practitioner]) -> list[Element]:
    return [reference(draft.practitioner(one)) for one in people]


def _conditions(draft: Draft, study: SwallowStudy) -> list[Element]:
    return [
        *draft.answered("view-quality", study.view_quality),
        *draft.answered("blinded", study.blinded),
        *draft.answered("recording-kept", study.recording_kept),
        *draft.component("contrast", text(study.contrast) if study.contrast else None),
    ]


def _findings(draft: Draft, study: SwallowStudy) -> list[tuple[str, str, Element]]:
    """Path, code and value of the study-level findings that were recorded."""
    seen = [
        ("laryngeal-sensation", study.sensation),
        ("vocal-fold-mobility-left", study.vocal_fold_mobility_left),
        ("vocal-fold-mobility-right", study.vocal_fold_mobility_right),
        ("velar-function", study.velar_function),
        ("pharyngeal-squeeze", study.pharyngeal_squeeze),
    ]
    found = [
        (code, code, _NOT_TESTED if said == "not tested" else coded(draft.codes.answer(said)))
        for code, said in seen
        if said
    ]
    if study.secretion_rating is not None:
        found.insert(0, ("secretions", "secretion-level", whole(study.secretion_rating)))
    return found


def _components(draft: Draft, bolus: Bolus) -> list[Element]:
    """Everything about one bolus."""
    parts = (_given, _entered, _left, _tried)
    return [component for part in parts for component in part(draft, bolus)]


def _given(draft: Draft, bolus: Bolus) -> list[Element]:
    """What was swallowed, and how it was given."""
    # "Easy to chew" is another kind of level 7 than the "Regular" the standard code stands for.
    level = draft.codes.answer(f"iddsi {bolus.consistency}", standard=not bolus.easy_to_chew)
    volume = None if bolus.volume_ml is None else measured(bolus.volume_ml, "mL")
    assisted = None if bolus.assisted is None else flag(bolus.assisted)
    return [
        *draft.component("bolus-sequence", whole(bolus.sequence)),
        *draft.component("bolus-consistency", coded(level)),
        *draft.component("easy-to-chew", flag(True) if bolus.easy_to_chew else None),
        *draft.component("transitional-food", flag(True) if bolus.transitional else None),
        *draft.component("bolus-volume", volume),
        *draft.component("bolus-amount", text(bolus.amount) if bolus.amount else None),
        *draft.answered("delivery", bolus.delivery),
        *draft.component("delivery-assisted", assisted),
    ]


def _entered(draft: Draft, bolus: Bolus) -> list[Element]:
    """What entered the airway, when, and what the patient did about it."""
    score = bolus.airway_score
    return [
        *draft.component(
            "airway-invasion-8pt", whole(score) if isinstance(score, int) else absent("error", "Error")
        ),
        *[part for when in bolus.timing for part in draft.answered("entry-timing", when)],
        *draft.answered("residue-related-entry", bolus.residue_related),
        *draft.component("entry-inferred", None if bolus.inferred is None else flag(bolus.inferred)),
        *draft.answered("entry-response", bolus.response, standard=False),
    ]


def _left(draft: Draft, bolus: Bolus) -> list[Element]:
    """What stayed behind."""
    return [
        *draft.answered("residue-vallecula", bolus.residue_vallecula),
        *draft.component("residue-vallecula-percent", _percent(bolus.residue_vallecula_percent)),
        *draft.answered("residue-pyriform", bolus.residue_pyriform),
        *draft.component("residue-pyriform-percent", _percent(bolus.residue_pyriform_percent)),
        *[part for where in bolus.residue_elsewhere for part in draft.answered("residue-elsewhere", where)],
        *draft.component(
            "swallows-to-clear", None if bolus.swallows_to_clear is None else whole(bolus.swallows_to_clear)
        ),
    ]


def _percent(value: Decimal | None) -> Element | None:
    return None if value is None else measured(value, "%")


def _tried(draft: Draft, bolus: Bolus) -> list[Element]:
    """The manoeuvre on this bolus, and whether it helped."""
    return [
        *draft.component("manoeuvre", coded(draft.codes.exercise(bolus.manoeuvre))),
        *draft.answered("manoeuvre-effect", bolus.effect),
    ]
