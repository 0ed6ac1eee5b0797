"""The training visit: the session, one Observation per trial, per judgement and per block."""

from collections.abc import Sequence

from service.records.draft import US_CORE, Draft
from service.records.elements import Element, absent, coded, flag, measured, present, reference, text, whole
from service.records.encounter import visit_period
from service.records.examination import procedure_status
from service.records.narrative import narrative
from service.records.visit import Training, Trial

__all__ = ["add_procedure", "add_training"]

_PROBES = {"pre", "post"}
_UNRATED = {"not observable": absent("error", "Error"), "not done": absent("not-performed", "Not Performed")}
_SIMPLE = f"{US_CORE}us-core-simple-observation"
_CUES = {"minimal": "minimal cues", "moderate": "moderate cues", "maximal": "maximal cues"}


def add_procedure(draft: Draft, code: str, *, path: str = "procedure", **more: Element | str) -> str:
    """The procedure of the visit (training, or a view of the larynx); answers its fullUrl."""
    concept = draft.codes.concept(code)
    performed = {"performedPeriod": visit_period(draft)}
    body = {
        "text": narrative(concept["text"], [("Start", draft.start.isoformat())]),
        **procedure_status(draft.record.visit.endoscopy),
        "code": concept,
        "subject": draft.subject(),
        "encounter": reference(draft.encounter),
        **(more or performed),
        "performer": [{"actor": reference(draft.clinician())}],
        **present(reasonReference=[reference(one) for one in draft.conditions]),
    }
    return draft.add("Procedure", path, body, profile=f"{US_CORE}us-core-procedure")


def add_training(draft: Draft, training: Training) -> None:
    """The session and its trials, block by block."""
    procedure = add_procedure(draft, "swallow-skill-training")
    blocks: dict[str, list[str]] = {}
    for trial in training.trials:
        blocks.setdefault(trial.block, []).extend(_add_trial(draft, trial, procedure))
    members = [_add_block(draft, training, block, trials, procedure) for block, trials in blocks.items()]
    skipped = training.post_block_not_done
    draft.clinical_test(
        "training",
        "training-session",
        "therapy",
        components=[
            *draft.component("protocol", text(training.protocol)),
            *draft.answered("education-given", training.education_given),
            *draft.component("post-block-not-done", text(skipped) if skipped else None),
        ],
        hasMember=members,
        partOf=[procedure],
    )


def _add_block(draft: Draft, training: Training, block: str, trials: Sequence[str], procedure: str) -> str:
    return draft.clinical_test(
        block,
        "training-block-result",
        "therapy",
        components=[
            *draft.answered("training-block", block),
            *draft.component("protocol", text(training.protocol)),
        ],
        hasMember=trials,
        partOf=[procedure],
    )


def _add_trial(draft: Draft, trial: Trial, procedure: str) -> list[str]:
    """The observed trial, then the patient's judgement of it if there is one."""
    path = f"{trial.block}/{trial.trial}"
    raters = [draft.clinician(trial.rater)]
    if trial.second_rater:
        raters.append(draft.practitioner(trial.second_rater))
    seen = draft.clinical_test(
        path,
        "trial-closure",
        "therapy",
        _UNRATED.get(trial.observed) or coded(draft.codes.answer(trial.observed)),
        components=_conditions(draft, trial),
        performer=raters,
        partOf=[procedure],
    )
    if trial.own_judgement is None and trial.effort_rating is None:
        return [seen]
    return [seen, _add_judgement(draft, trial, f"{path}/judgement", seen)]


def _conditions(draft: Draft, trial: Trial) -> list[Element]:
    hold = None if trial.hold_s is None else measured(trial.hold_s, "s")
    return [
        *draft.answered("training-block", trial.block),
        *draft.component("trial-number", whole(trial.trial)),
        *draft.answered("posture", trial.posture),
        *draft.answered("jaw-position", trial.jaw),
        *draft.answered("intended-outcome", trial.intended),
        *draft.answered("closure-level", trial.level),
        *draft.answered("effort-instructed", trial.effort),
        *draft.component("hold-duration", hold),
        *draft.answered("feedback-given", trial.feedback, standard=False),
        *draft.answered("cue-level", _CUES.get(trial.cue or "", trial.cue)),
        *draft.answered("reason-not-rated", trial.reason),
    ]


def _add_judgement(draft: Draft, trial: Trial, path: str, seen: str) -> str:
    said = trial.own_judgement
    asked = said is not None and said != "not asked"
    before = trial.judged_before_result
    if before is None and asked and trial.block in _PROBES:
        before = True
    rating = None if trial.effort_rating is None else whole(trial.effort_rating)
    return draft.observe(
        path,
        "trial-self-judgement",
        ("survey", "functional-status"),
        coded(draft.codes.answer(said)) if said and asked else absent("not-asked", "Not Asked"),
        components=[
            *draft.component("judged-before-result", None if before is None else flag(before)),
            *draft.component("perceived-exertion", rating),
        ],
        performer=[draft.patient],
        profile=_SIMPLE,
        method=draft.self_reported(),
        focus=[seen],
    )
