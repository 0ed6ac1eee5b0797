"""The visit record: our intake document, one per visit, in the clinic's words.

These models are the shape only; the rules between fields, with their sentences, stand in the ``rules``
modules. Unknown fields are refused. Times without an offset are in the site's time zone. ``yes``/``no``
answers may also be written as true/false.

Source of fields, ranges and units: the project's data dictionary (README, "The visit record"); levels and
scales are published ones, named beside their field.
"""

from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from service.records.values import Day, Moment, Number, Text, Whole, YesNo, YesNoUnknown, words

__all__ = [
    "Adverse",
    "Anaesthetic",
    "Bolus",
    "Clearance",
    "Coded",
    "Condition",
    "Consent",
    "Criterion",
    "Endoscopy",
    "Function",
    "Goal",
    "GoalBaseline",
    "GoalReview",
    "GoalTarget",
    "HomePlan",
    "Identifier",
    "Meals",
    "Person",
    "PlanLine",
    "Practice",
    "PracticeDay",
    "Practitioner",
    "Referral",
    "SafetyScreen",
    "Scaling",
    "Signature",
    "StopRules",
    "SwallowStudy",
    "Training",
    "Trial",
    "Visit",
    "VisitRecord",
    "VitalSigns",
]


Effort = Literal["light", "medium", "strong"]
Block = Literal["pre", "education", "feedback", "error", "faded", "post"]
Posture = Literal[
    "head neutral", "chin down", "head back", "turned left", "turned right", "tilted left", "tilted right"
]
Residue = Literal["none", "trace", "mild", "moderate", "severe"]
Finding = Literal["normal", "reduced", "absent", "not tested"]
Manoeuvre = Literal[
    "supraglottic swallow",
    "super-supraglottic swallow",
    "breath-hold drill",
    "effortful swallow",
    "prolonged laryngeal elevation swallow",
    "tongue-hold swallow",
    "head-lift",
    "chin tuck against resistance",
    "tongue strength drill",
    "expiratory muscle drill",
    "jaw-opening drill",
    "pitch glide",
    "breath-stack cough",
]
BolusManoeuvre = Literal[
    "none",
    "supraglottic swallow",
    "super-supraglottic swallow",
    "effortful swallow",
    "prolonged laryngeal elevation swallow",
    "chin down",
    "head turn to weaker side",
    "head tilt to stronger side",
    "head back",
    "side-lying",
]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Identifier(_Part):
    """A business identifier: whose numbering, and the number."""

    system: Text = Field(min_length=1, description="Absolute URI of the numbering, yours and stable.")
    value: Text = Field(min_length=1, description="The number, stable for ever.")


class Coded(_Part):
    """A code of a published system."""

    system: Text
    code: Text
    display: Text | None = None


class Condition(_Part):
    """A condition behind the swallowing problem."""

    code: Coded | Literal["cause not known"]
    note: Text | None = Field(None, description="For the clinic's own eyes, e.g. 'stroke, 5 months'.")
    onset: Day | Literal["unknown"] | Annotated[Text, Field(pattern=r"^\d{4}(-\d{2})?$")] = Field(
        description="Date, year-month, year or 'unknown'."
    )


class Person(_Part):
    """The person, needed only while the patient is not on file; a stored Patient is never changed by it."""

    family: Text
    given: list[Text] = Field(min_length=1)
    birth_date: Day
    gender: Literal["male", "female", "other", "unknown"] | None = None
    address_line: Text | None = None
    city: Text | None = None
    state: Text | None = None
    postal_code: Text | None = None
    country: Text | None = None
    phone: Text | None = None
    email: Text | None = None


class Practitioner(_Part):
    """A clinician, physician or rater."""

    identifier: Identifier
    name: Text
    role: Literal["speech-language pathologist", "physician", "other clinician"] = (
        "speech-language pathologist"
    )


class Anaesthetic(_Part):
    """A topical anaesthetic or decongestant given for the examination."""

    agent: Text
    dose: Number | None = Field(None, gt=0)
    unit: Text | None = Field(None, description="UCUM unit of the dose, e.g. mg.")
    side: Literal["left", "right", "both"] | None = None


class Adverse(_Part):
    """Something that went wrong during the examination, and what was done about it."""

    event: Literal[
        "discomfort",
        "gagging",
        "nosebleed anterior",
        "nosebleed posterior",
        "vasovagal reaction",
        "laryngospasm",
        "desaturation",
        "arrhythmia",
        "other",
    ]
    action: Text | None = None
    note: Text | None = None


class Endoscopy(_Part):
    """Whether the endoscope was in place, what was given for it and how it was tolerated."""

    in_place: Annotated[Literal["yes", "no", "stopped early"], BeforeValidator(words)]
    reason: Text | None = Field(None, description="Why it was stopped early.")
    anaesthetic: list[Anaesthetic] | Literal["none"] | None = None
    tolerance: list[Adverse] | Literal["no adverse event"] | None = None


class VitalSigns(_Part):
    """Vital signs where limits apply."""

    heart_rate: Number | None = Field(None, description="/min")
    oxygen_saturation: Number | None = Field(None, description="%")
    systolic: Number | None = Field(None, description="mm[Hg]")
    diastolic: Number | None = Field(None, description="mm[Hg]")


class Visit(_Part):
    """The visit itself."""

    type: Literal["evaluation", "training", "review", "home call", "discharge"]
    start: Moment
    end: Moment | None = None
    clinician: Practitioner
    supervisor: Practitioner | None = Field(
        None, description="The licence-bearing supervisor, if another person."
    )
    episode_start: Day | None = Field(None, description="When this episode of care began.")
    reason_for_ending: (
        Literal["goals met", "plateau", "medical change", "moved", "declined", "died"] | None
    ) = Field(None, description="At a discharge visit: why the episode of care ends.")
    endoscopy: Endoscopy | None = None
    vital_signs: VitalSigns | None = None


class SafetyScreen(_Part):
    """The caution list before breath-holding: each item yes, no or unknown."""

    date: Day
    by: Practitioner | None = Field(None, description="Who asked; the visit's clinician if empty.")
    items: dict[Text, YesNoUnknown]


class Clearance(_Part):
    """A physician's decision about breath-hold work."""

    date: Day
    by: Practitioner
    decision: Literal["cleared", "limited", "not cleared"]
    effort_limit: Effort | None = None
    note: Text | None = None


class Consent(_Part):
    """Permission to use this person's data for research."""

    decision: Literal["permit", "deny", "withdrawn"]
    date: Day
    scope: Text = "de-identified research"


class Function(_Part):
    """Functional intake and patient report.

    ``oral_intake_level``: the published seven-level functional oral intake scale, 1-7, higher is better.
    ``eat10_total``: total of ten answers of 0-4, 0-40, lower is better; the questionnaire's wording is not
    stored.
    """

    oral_intake_level: Whole | None = None
    tube: YesNo | None = None
    eat10_total: Whole | None = None
    eat10_items: list[Whole] | None = None
    weight_kg: Number | None = None
    pneumonia_since_last_visit: Whole | None = None
    liquid_level: Whole | None = Field(None, description="IDDSI level of drinks in use, 0-4.")
    food_level: Whole | None = Field(None, description="IDDSI level of food in use, 3-7.")
    meal_minutes: Whole | None = None


class Bolus(_Part):
    """One swallowed bolus of a study; one row of the bolus sheet."""

    sequence: Whole = Field(ge=1)
    consistency: Whole = Field(description="IDDSI level 0-7; a name of kind, never averaged.")
    easy_to_chew: bool = False
    transitional: bool = False
    volume_ml: Number | None = None
    amount: Text | None = Field(None, description="For solids: pieces or grams; 'cup sips' for liquids.")
    delivery: Literal["spoon", "syringe", "cup", "straw"] | None = None
    assisted: bool | None = None
    airway_score: Whole | Literal["not rateable"] = Field(
        description="Penetration-aspiration scale, 1-8 (Rosenbek 1996); a whole number per swallow."
    )
    timing: list[Literal["before", "during", "after", "not seen"]] = []
    residue_related: YesNo | None = None
    inferred: bool | None = Field(None, description="Endoscopy: 'during' was inferred behind the white-out.")
    response: Literal["none", "throat clear", "cough effective", "cough ineffective"] | None = None
    residue_vallecula: Residue
    residue_pyriform: Residue
    residue_vallecula_percent: Number | None = None
    residue_pyriform_percent: Number | None = None
    residue_elsewhere: list[Literal["posterior wall", "laryngeal vestibule", "oral"]] = []
    swallows_to_clear: Whole | None = Field(None, ge=1, le=20)
    manoeuvre: BolusManoeuvre
    effect: Literal["better", "same", "worse", "no comparison"] | None = None


class SwallowStudy(_Part):
    """An endoscopic or X-ray swallow study, with one row per bolus."""

    method: Literal["endoscopic", "videofluoroscopic"]
    date: Day
    examiner: Practitioner | None = Field(None, description="The visit's clinician if empty.")
    raters: list[Practitioner] = []
    blinded: YesNo | None = None
    contrast: Text | None = None
    view_quality: Literal["good", "limited", "not rateable"] = "good"
    recording_kept: YesNo | None = None
    secretion_rating: Whole | None = Field(None, description="0-3 (Murray 1996).")
    sensation: Finding | None = None
    vocal_fold_mobility_left: Finding | None = None
    vocal_fold_mobility_right: Finding | None = None
    velar_function: Finding | None = None
    pharyngeal_squeeze: Finding | None = None
    boluses: list[Bolus] = []


class Trial(_Part):
    """One attempt at closing the vocal folds; one row of the trial sheet."""

    block: Block
    trial: Whole = Field(ge=1)
    posture: Posture
    jaw: Literal["closed", "open"] = "closed"
    intended: Literal["close", "leave open"] = "close"
    observed: Literal["closed", "not closed", "not observable", "not done"]
    level: Literal["true folds", "true and false folds", "with arytenoid tilt"] | None = None
    own_judgement: Literal["closed", "not closed", "unsure", "not asked"] | None = None
    judged_before_result: bool | None = Field(
        None,
        description="Was the patient asked before the result was shown? Empty in a probe block means yes.",
    )
    effort: Effort
    effort_rating: Whole | None = Field(
        None, ge=0, le=10, description="The patient's own 0-10 exertion rating."
    )
    hold_s: Number | None = Field(None, description="Seconds held; for an open trial the attempt's length.")
    feedback: Literal["none", "live image", "replay", "verbal result", "verbal cue"] | None = None
    cue: Literal["independent", "minimal", "moderate", "maximal", "hand-over-hand"] | None = None
    reason: (
        Literal["view lost", "secretions", "movement", "refused", "fatigue", "stopped for safety"] | None
    ) = Field(None, description="Why it could not be rated or was not done.")
    rater: Practitioner | None = Field(None, description="The visit's clinician if empty.")
    second_rater: Practitioner | None = None


class Training(_Part):
    """The skill training of the visit: one row per trial."""

    protocol: Text = Field("standard", description="Name of the protocol settings the probe blocks follow.")
    education_given: YesNo | None = None
    post_block_not_done: Text | None = Field(
        None, description="Why there is no post block, if there is none."
    )
    trials: list[Trial] = []


class Meals(_Part):
    """When to use the manoeuvre at meals."""

    timing: list[Literal["before", "during", "after"]] = []
    phases: list[Text] = []
    cough_after: YesNo | None = None


class PlanLine(_Part):
    """One exercise of a home plan and its dose."""

    exercise: Text = Field(
        min_length=1, pattern=r"^[A-Za-z0-9-]+$", description="Short name; practice days refer to it."
    )
    manoeuvre: Manoeuvre
    sets: Whole = Field(ge=1, le=10)
    repetitions: Whole = Field(ge=1, le=60)
    sessions_per_day: Whole = Field(ge=1, le=6)
    days_per_week: Whole = Field(ge=1, le=7)
    weeks: Whole = Field(ge=1, le=52)
    hold_s: Number | None = Field(None, ge=0, le=60)
    effort: Effort | Literal["not applicable"] | None = None
    percent_of_maximum: Whole | None = Field(None, ge=10, le=100, description="Instead of effort.")
    practised_with: Literal["saliva", "water"] | Annotated[Whole, Field(ge=0, le=7)] = Field(
        description="saliva, water or an IDDSI level."
    )
    meals: Meals | None = None
    goals: list[Text] = Field([], description="Keys of the goals this line serves.")

    @property
    def daily_repetitions(self) -> int:
        """Repetitions prescribed on a practice day."""
        return self.sets * self.repetitions * self.sessions_per_day


class StopRules(_Part):
    """The rules for stopping that were explained to the patient."""

    text: Text
    date: Day
    teach_back: YesNo


class HomePlan(_Part):
    """The home-exercise plan given at this visit; it replaces the plan before it."""

    status: Literal["active", "on-hold", "completed", "revoked"] = "active"
    status_reason: Text | None = None
    start: Day
    review: Day | None = None
    end: Day | None = None
    lines: list[PlanLine] = Field(min_length=1)
    stop_rules: StopRules | None = None
    cleared_levels: list[Whole] | None = Field(
        None, description="IDDSI levels this patient may practise with."
    )


class PracticeDay(_Part):
    """What was done on one day of one exercise. 0 is a value; a day that is absent was not logged."""

    day: Day
    exercise: Text
    repetitions: Whole
    sessions: Whole | None = Field(None, ge=0, le=10)
    used_at_meals: Literal["none", "some", "most", "all"] | None = None
    effort: Effort | None = None
    discomfort: Whole | None = Field(None, ge=0, le=10)
    symptoms: list[Text] = []


class Practice(_Part):
    """The practice log brought to this visit, for the days from ``start`` to ``end`` inclusive."""

    start: Day
    end: Day
    returned: YesNo = "yes"
    entered_by: Literal["patient", "carer", "clinician from diary"] | None = None
    days: list[PracticeDay] = []


class GoalTarget(_Part):
    """One measured thing and the value wanted."""

    measure: Literal[
        "closure accuracy",
        "judgement agreement",
        "judgement bias",
        "hold time",
        "oral intake level",
        "eat10 total",
        "practice adherence",
        "airway entry group",
    ]
    comparator: Literal[">=", "<="] | None = Field(None, description="Empty: the measure's better side.")
    value: Number
    consistency: Whole | None = Field(None, description="IDDSI level, for 'airway entry group'.")


class Criterion(_Part):
    """How often the target must be met."""

    visits: Whole = Field(2, description="Consecutive visits at target (k).")
    of_visits: Whole | None = Field(
        None, description="Visits at target among so many in a row, instead of consecutive ones (p of q)."
    )
    weeks: Whole = Field(1, ge=1, description="Calendar weeks the visits at target lie in, at least.")
    without_cues: bool = Field(False, description="Only visits whose trials were done without cues count.")
    min_trials: Whole = Field(5, ge=1, description="Scored trials a visit needs to count.")
    dips: Whole = Field(2, ge=1, description="Consecutive visits below target that reopen a met goal (m).")
    step: Number | None = Field(None, gt=0, description="Smallest change counted as change (delta).")


class GoalBaseline(_Part):
    """Where the person stood when the goal was set."""

    value: Number
    date: Day
    n: Whole | None = Field(None, ge=1, description="Scored trials behind the value.")


class Scaling(_Part):
    """Goal attainment scaling (Kiresuk & Sherman 1968): five statements, -2 to +2, and the starting level."""

    statements: dict[Literal["-2", "-1", "0", "+1", "+2"], Text]
    ranges: dict[Literal["-2", "-1", "0", "+1", "+2"], tuple[Number, Number]] | None = Field(
        None,
        description="Optional measured range of each level, inclusive; they may not overlap or leave gaps.",
    )
    baseline_level: Whole = Field(ge=-2, le=2)


class Goal(_Part):
    """A goal set at this visit."""

    key: Text = Field(
        min_length=1, pattern=r"^[A-Za-z0-9-]+$", description="Short name, unique for the person."
    )
    description: Text = Field(min_length=1)
    lifecycle_status: Literal[
        "proposed",
        "planned",
        "accepted",
        "active",
        "on-hold",
        "completed",
        "cancelled",
        "entered-in-error",
        "rejected",
    ]
    achievement_status: Text | None = Field(None, description="The stated status; never computed into here.")
    status_date: Day | None = None
    status_reason: Text | None = None
    purpose: Literal["improve", "maintain"] = Field(
        "improve",
        description="'maintain' keeps what is there: the target may stand at or below the baseline.",
    )
    targets: list[GoalTarget] = Field(min_length=1)
    criterion: Criterion = Criterion()
    baseline: GoalBaseline | None = None
    start: Day
    due: Day | None = None
    expressed_by: Literal["patient", "clinician", "carer"] | None = None
    importance: Whole | None = None
    difficulty: Whole | None = None
    scaling: Scaling | None = None


class GoalReview(_Part):
    """What was stated at this visit about a goal on file; the newest statement is the goal's status."""

    goal: Text = Field(description="Key of the goal.")
    lifecycle_status: (
        Literal["accepted", "active", "on-hold", "completed", "cancelled", "rejected"] | None
    ) = None
    achievement_status: Text | None = None
    reason: Text | None = None
    scaling_level: Whole | None = Field(None, ge=-2, le=2, description="Level reached, -2 to +2.")


class Referral(_Part):
    """A referral made at this visit."""

    to: Text = Field(description="Service or profession, e.g. 'neurology'.")
    reason: Text


class Signature(_Part):
    """How the record was signed. What is preliminary counts in no computed result and is sent nowhere.

    A record without this part was signed in the system it comes from, and is final. A draft, and one signed
    in training or assisting until somebody licensed has co-signed it, is preliminary.
    """

    state: Literal["draft", "signed", "co-signed", "amended"]
    signed_by: Practitioner | None = Field(None, description="The visit's clinician if empty.")
    signer: Literal["licensed", "student", "assistant"] = Field(
        "licensed", description="A student's or assistant's signature needs a co-signature."
    )
    signed_at: Moment | None = None
    co_signed_by: Practitioner | None = Field(None, description="Somebody licensed, another person.")
    co_signed_at: Moment | None = None
    co_signer_licence: Text | None = Field(None, description="Number of the co-signer's licence.")
    reason: Text | None = Field(None, description="Why it was amended.")


class VisitRecord(_Part):
    """One visit, as the clinic has it."""

    visit_record: Literal[1] = Field(description="Version of this document's format.")
    test_data: bool = Field(False, description="Invented data: everything made from it is labelled HTEST.")
    record: Identifier = Field(description="The sender's identifier of this record: mandatory and stable.")
    patient: Identifier
    person: Person | None = None
    care_team: list[Practitioner] = Field([], description="Others who care for this person.")
    conditions: list[Condition] = []
    research_consent: Consent | None = None
    visit: Visit
    red_flags: dict[Text, YesNo] | None = None
    safety_screen: SafetyScreen | None = None
    clearance: Clearance | None = None
    function: Function | None = None
    swallow_study: SwallowStudy | None = None
    training: Training | None = None
    home_plan: HomePlan | None = None
    practice: Practice | None = None
    goals: list[Goal] = []
    goal_reviews: list[GoalReview] = []
    referrals: list[Referral] = []
    signature: Signature | None = Field(
        None, description="Empty: signed where the record comes from, and final."
    )
