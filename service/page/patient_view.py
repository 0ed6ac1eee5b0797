"""The whole page of one person as of a day, put together from the computed answer and what is on file."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from service.attainment.answers import PatientAnswer, Review
from service.attainment.cues import NO_CUE_IS_NOT_SAFETY, Cue
from service.attainment.inputs import Ending, ExcludedVisit
from service.page import cautions, words
from service.page.goals import goal_views
from service.page.home_plan import HomePlanView
from service.page.home_practice import PracticeView, practice_view
from service.page.own_judgement import JudgementView, judgement_view
from service.page.score_series import score_series
from service.page.study_conditions import StudyKey
from service.page.study_grid import StudyGrid, study_grids
from service.page.view_model import Banner, GoalView
from service.page.visit_rows import VisitRow, visit_rows
from service.records.visit_marks import VisitMark

__all__ = ["Excluded", "OnFile", "PatientView", "patient_view"]


@dataclass(frozen=True, slots=True)
class Excluded:
    """A visit whose values count nowhere: its day, Encounter and the reason stated."""

    day: date
    encounter: str
    reason: str


@dataclass(frozen=True, slots=True)
class OnFile:
    """What the page shows beside the computed answer.

    ``visits`` are the days of the newest visits, ``encounters`` the ids of Encounters by day,
    ``view_quality`` that of each study in words, ``plan`` the home plan, ``marks`` the visits at which
    something went wrong, ``marks_closed`` what the caller may not read of that.
    """

    banner: Banner
    visits: tuple[date, ...]
    encounters: Mapping[date, str]
    view_quality: Mapping[StudyKey, str]
    plan: HomePlanView | None = None
    marks: tuple[VisitMark, ...] = ()
    marks_closed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PatientView:
    """One person as of ``day``.

    ``visits`` are the days of the newest visits on file, later ones than ``day`` included, oldest first.
    ``review``, ``ended`` (why care did, where nobody was seen since) and ``scaling`` are sentences. What is
    None or empty has nothing to show.
    """

    id: str
    day: date
    banner: Banner
    visits: tuple[date, ...] = ()
    goals: tuple[GoalView, ...] = ()
    cues: tuple[Cue, ...] = ()
    review: str = "no review day on file"
    ended: str = ""
    visit_rows: tuple[VisitRow, ...] = ()
    excluded: tuple[Excluded, ...] = ()
    judgement: JudgementView | None = None
    plan: HomePlanView | None = None
    practice: PracticeView | None = None
    studies: tuple[StudyGrid, ...] = ()
    scores: tuple[GoalView, ...] = ()
    scaling: str = ""
    engine: str = ""
    cue_caution: str = NO_CUE_IS_NOT_SAFETY
    marks: tuple[VisitMark, ...] = ()
    marks_closed: tuple[str, ...] = ()

    def marked(self, encounter: str) -> tuple[str, ...]:
        """What happened at a visit: an adverse event, an early stop."""
        return next((one.words for one in self.marks if encounter and one.encounter == encounter), ())

    @property
    def marked_elsewhere(self) -> tuple[VisitMark, ...]:
        """Marks of what has no line among the visits: evaluations, second visits of a day, events of none."""
        told = {row.encounter for row in self.visit_rows} | {one.encounter for one in self.excluded}
        return tuple(one for one in self.marks if not one.encounter or one.encounter not in told)

    @property
    def names(self) -> dict[str, str]:
        """Words for what can be decided about here: goals and visits, by reference."""
        goals = {goal.id: goal.description for goal in self.goals}
        visits = {f"Encounter/{one.encounter}": f"visit of {words.day(one.day)}" for one in self.visit_rows}
        excluded = {f"Encounter/{one.encounter}": f"visit of {words.day(one.day)}" for one in self.excluded}
        return goals | visits | excluded

    @property
    def cautions(self) -> tuple[tuple[str, str], ...]:
        """What the sheet of paper warns of: home practice, and the studies that were done."""
        practised = (cautions.EXERCISES, cautions.FOOD, cautions.HOME) if self.plan or self.practice else ()
        return (*practised, *cautions.of_studies(study.method for study in self.studies))

    @property
    def parts(self) -> tuple[tuple[str, str], ...]:
        """Id and name of the parts the page has, in their order."""
        parts = (
            (True, "goals", "Goals"),
            (self.visit_rows or self.excluded or self.marks, "visits", "Visits"),
            (self.judgement, "judgement", "Own judgement"),
            (self.plan or self.practice, "practice", "Home practice"),
            (self.studies, "studies", "Swallow studies"),
            (self.scores, "scores", "Eating, drinking and weight"),
        )
        return tuple((id_, name) for there, id_, name in parts if there)


def patient_view(id_: str, answer: PatientAnswer, file: OnFile) -> PatientView:
    """Make the view of what was computed and what is on file."""
    return PatientView(
        id=id_,
        day=answer.as_of,
        banner=file.banner,
        visits=file.visits,
        goals=goal_views(answer),
        cues=answer.cues,
        review=_review(answer.review),
        ended=_ended(answer.endings, file.banner.last_visit),
        visit_rows=visit_rows(answer, file.encounters),
        excluded=tuple(map(_excluded, answer.excluded)),
        judgement=judgement_view(answer),
        plan=file.plan,
        practice=practice_view(answer),
        studies=study_grids(answer.studies, file.view_quality),
        scores=score_series(answer),
        scaling=_scaling(answer),
        engine=answer.engine,
        marks=file.marks,
        marks_closed=file.marks_closed,
    )


def _review(review: Review | None) -> str:
    if review is None:
        return "no review day on file"
    if review.held:
        return f"none set since that of {words.day(review.day)}, which was held"
    left = review.days_left
    rest = "today" if not left else f"in {words.plural(left, 'day')}" if left > 0 else "overdue"
    return f"{words.day(review.day)}, {rest}"


def _ended(endings: Sequence[Ending], last_visit: date | None) -> str:
    newest = endings[-1] if endings else None
    if newest is None or (newest.reason != "died" and last_visit is not None and last_visit > newest.day):
        return ""
    return f"{newest.reason.replace('-', ' ')}, {words.day(newest.day)}"


def _excluded(visit: ExcludedVisit) -> Excluded:
    return Excluded(visit.day, visit.reference.removeprefix("Encounter/"), visit.reason)


def _scaling(answer: PatientAnswer) -> str:
    found = answer.scaling
    if found is None or not found.goals:
        return answer.scaling_problem
    over = f"{words.plural(len(found.goals), 'goal')}, weights {', '.join(map(str, found.weights))}"
    left_out = f"; {words.plural(len(found.left_out), 'goal')} not rated yet" if found.left_out else ""
    if found.start is None or found.now is None or found.change is None:
        return f"{found.reason} ({over})"
    return (
        f"T {found.start:.2f} at the start, {found.now:.2f} now, change {found.change:+.2f} "
        f"({over}{left_out}). "
        "Ordinal levels are treated as an interval here: do not rank people or sites by it."
    )
