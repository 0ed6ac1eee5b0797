"""A trial whose outcome, a person says, could not be seen after all.

Pure. The Observation becomes ``amended``, without a value and with the reason; what it said before stays in
its history.
"""

from service.records.elements import absent, coded
from service.records.narrative import observation_narrative
from service.records.stored import Resource, code_of
from service.terminology.codes import Codes

__all__ = ["is_marked", "is_observed_trial", "marked"]

_AMENDED = "amended"
_UNSEEN = absent("error", "Error")
_REASON = "reason-not-rated"


def is_observed_trial(observation: Resource) -> bool:
    """Whether it is a trial in force with an outcome that was seen."""
    in_force = observation.get("status") in {"final", "amended", "corrected", "preliminary"}
    return in_force and code_of(observation.get("code")) == "trial-closure" and _seen(observation)


def is_marked(observation: Resource) -> bool:
    """Whether it is a trial that a person marked so after it was recorded."""
    amended = observation.get("status") == _AMENDED
    return amended and code_of(observation.get("code")) == "trial-closure" and not _seen(observation)


def marked(trial: Resource, code: str, codes: Codes) -> Resource:
    """The trial without its outcome; ``code`` is one of the value set ``reason-not-rated``."""
    rest = {name: value for name, value in trial.items() if name != "valueCodeableConcept"}
    parts = [part for part in trial.get("component", []) if code_of(part.get("code")) != _REASON]
    why = {"code": codes.concept(_REASON), **coded(codes.answer(code))}
    observation = {**rest, **_UNSEEN, "status": _AMENDED, "component": [*parts, why]}
    generated = trial.get("text", {}).get("status") == "generated"
    return {**observation, "text": observation_narrative(observation)} if generated else observation


def _seen(observation: Resource) -> bool:
    return "valueCodeableConcept" in observation
