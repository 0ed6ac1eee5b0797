"""Which of our profiles (``mappings/profiles/``) a part of a visit record claims."""

from collections.abc import Mapping

from service.fhir.canonical import profile
from service.records.elements import Element
from service.terminology.codes import OBSERVATION

__all__ = ["own_profile"]

_STUDY = ("endoscopic-swallow-study", "videofluoroscopic-swallow-study")
_BY_CODE = {
    "bolus-swallow": "bolus",
    "trial-closure": "trial",
    "trial-self-judgement": "trial-judgement",
    "training-block-result": "training-block",
    "training-session": "training-session",
    "practice-day": "practice-day",
    "practice-log": "practice-log",
    "breath-hold-clearance": "breath-hold-clearance",
    "swallow-skill-training": "training-procedure",
    **dict.fromkeys(_STUDY, "swallow-study"),
    **{f"{name}-report": "swallow-study-report" for name in _STUDY},
}
_BY_PATH = {"Goal": "goals/", "CarePlan": "home-plan", "ServiceRequest": "home-plan/"}
_OF_TYPE = {"Goal": "goal", "CarePlan": "home-plan", "ServiceRequest": "exercise"}


def own_profile(type_: str, path: str, body: Mapping[str, Element]) -> str:
    """Answer the profile of the part at ``path``, empty if there is none for it."""
    if type_ in _OF_TYPE:
        return profile(_OF_TYPE[type_]) if path.startswith(_BY_PATH[type_]) else ""
    codings = body.get("code", {}).get("coding", ())
    named = (_BY_CODE.get(one["code"]) for one in codings if one["system"] == OBSERVATION)
    return next((profile(name) for name in named if name), "")
