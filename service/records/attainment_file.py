"""What is stored of one patient, as far as goal attainment rests on it."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from service.records.views import CarePlan, Encounter, Goal, Observation, Patient, QuestionnaireResponse

__all__ = ["READS", "AttainmentFile"]

READS = ("Patient", "Observation", "Goal", "Encounter", "CarePlan", "QuestionnaireResponse")
"""Types of the resources that goal attainment, and the cues told with it, rest on."""


@dataclass(frozen=True, slots=True)
class AttainmentFile:
    """Resources in any order; other Observations than ``OBSERVATIONS_READ`` need not be there."""

    goals: Sequence[Goal] = ()
    observations: Sequence[Observation] = ()
    encounters: Sequence[Encounter] = ()
    plans: Sequence[CarePlan] = ()
    screens: Sequence[QuestionnaireResponse] = ()
    patient: Patient = field(default_factory=Patient)

    def in_force(self) -> "AttainmentFile":
        """Without what is entered in error, or belongs to an encounter entered in error."""
        void = {one.reference for one in self.encounters if not one.in_force}
        return AttainmentFile(
            [one for one in self.goals if one.in_force],
            [one for one in self.observations if one.in_force and one.encounter.reference not in void],
            [one for one in self.encounters if one.in_force],
            [one for one in self.plans if one.in_force and one.encounter.reference not in void],
            [one for one in self.screens if one.in_force and one.encounter.reference not in void],
            self.patient,
        )
