"""What can hurt somebody, in the sentences that stand where the work is shown; a site has to approve them.

Each begins with what it is about. The README has the same sentences.
"""

from collections.abc import Iterable

__all__ = ["ENDOSCOPY", "EVERYWHERE", "EXERCISES", "FOOD", "HOME", "XRAY", "of_studies"]

EVERYWHERE = (
    (
        "Each block has few trials. Percentages from five trials are rough. "
        "Look at the interval and the run of visits, and at the patient."
    ),
    (
        "This software stores and calculates. "
        "It does not diagnose, choose treatment, or decide what is safe to eat or drink. "
        "Decisions belong to the licensed clinician responsible for the patient, working under local law, "
        "employer policy and professional standards. Where this software and local policy differ, "
        "follow local policy."
    ),
)
"""What stands at the foot of every page, and on paper."""

EXERCISES = (
    "Exercises",
    (
        "Some swallowing exercises ask people to hold their breath or strain. "
        "That can change heart rhythm and blood pressure. "
        "Do not start or raise effort for anyone with a marked caution until the responsible physician and "
        "clinician have agreed. Stop at once for chest pain, palpitations, faintness, severe breathlessness, "
        "new weakness, or bleeding, and follow the emergency procedure."
    ),
)
FOOD = (
    "Practice with food",
    (
        "Practise only with the textures and amounts on the plan. "
        "If choking, a wet voice, or coughing gets worse, stop and contact the clinic."
    ),
)
HOME = (
    "At home",
    (
        "Call the clinic the same day for fever, new or worse cough, chest discomfort, breathlessness, wet "
        "voice that stays, several choking episodes, eating or drinking much less, weight loss. "
        "Call emergency services for blocked airway, blue lips, chest pain, collapse, signs of stroke."
    ),
)
ENDOSCOPY = (
    "Endoscopy",
    (
        "Only for clinicians trained and permitted locally to pass an endoscope, with emergency help, "
        "suction and equipment as local rules require. Ask before each examination about bleeding risk and "
        "blood thinners, nasal or skull-base problems, fainting, heart instability, severe movement "
        "disorder, recent facial or nasal surgery, allergy to anaesthetic. Known effects include discomfort "
        "and gagging; uncommon ones nosebleed, fainting, laryngeal spasm. Check the rules where you practise."
    ),
)
XRAY = (
    "X-ray study",
    (
        "Uses ionising radiation and contrast; only by order and under local radiation rules; ask about "
        "pregnancy, contrast allergy and known severe aspiration risk."
    ),
)


def of_studies(methods: Iterable[str]) -> tuple[tuple[str, str], ...]:
    """The cautions of studies by these methods, each once."""
    done = set(methods)
    kinds = (("endoscopic", ENDOSCOPY), ("videofluoroscopic", XRAY))
    return tuple(caution for method, caution in kinds if method in done)
