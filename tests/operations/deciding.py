"""People who decide about the demo, and what they decide it with."""

from service.operations.decisions_made import decisions_about
from service.operations.goal_statement import accept_status, override_status
from service.operations.trial_not_observable import mark_not_observable
from service.operations.undo import undo
from service.operations.visit_exclusion import exclude_visit
from service.security.principal import Principal
from service.security.scopes import Scopes
from service.terminology.codes import codes

ISSUER = "https://issuer.example.org"


def person(subject="clinician-1", scope="user/*.rs goal-decisions", fhir_user=""):
    return Principal(subject, ISSUER, Scopes.parse(scope), fhir_user, expires=0)


CLINICIAN = person()


class Desk:
    """The acts on a demo's store, run to their end. ``seen`` is the version a person looked at."""

    def __init__(self, demo, who=CLINICIAN, context=None) -> None:
        self.demo = demo
        self._by = {"principal": who, "context": context or demo.context, "codes": codes("all")}

    def accept(self, goal, day, **more):
        return self._run(accept_status, goal, day, **self._seen("Goal", goal, more))

    def override(self, goal, day, **more):
        return self._run(override_status, goal, day, **self._seen("Goal", goal, more))

    def exclude(self, encounter, **more):
        return self._run(exclude_visit, encounter, **self._seen("Encounter", encounter, more))

    def mark(self, observation, **more):
        return self._run(mark_not_observable, observation, **self._seen("Observation", observation, more))

    def undo(self, decided, **more):
        return self._run(undo, decided.provenance.removeprefix("Provenance/"), **more)

    def made(self, *references):
        return self.demo.run(decisions_about(self.demo.store, references))

    def _seen(self, type_, id_, more):
        if "if_match" not in more:
            more["if_match"] = self.demo.run(self.demo.store.read(type_, id_)).etag
        return more

    def _run(self, act, *what, **more):
        return self.demo.run(act(self.demo.store, *what, **more, **self._by))
