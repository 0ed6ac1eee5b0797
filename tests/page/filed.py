"""An invented person's resources, as a store holds them."""

import json
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from service.fhir.canonical import code_system
from service.fhir.search_keys import extract

ZONE = ZoneInfo("America/New_York")
OBSERVATION, VALUE = code_system("swallow-observation"), code_system("swallow-value")
# day, probe as observed (1 closed, 0 not closed), block after training
VISITS = (
    ("2026-06-05", "01010", "11010"),
    ("2026-06-19", "11011", "11111"),
    ("2026-07-03", "11011", "11111"),
)


def now():
    return datetime(2026, 7, 4, 2, 0, tzinfo=UTC)  # still 3 July at the site


def coded(code, system=VALUE, text=""):
    return {"coding": [{"system": system, "code": code}], "text": text or code.replace("-", " ")}


def component(code, answer):
    return {"code": coded(code, OBSERVATION), "valueCodeableConcept": coded(answer)}


def observation(id_, code, day, **more):
    return {
        "resourceType": "Observation",
        "id": id_,
        "status": "final",
        "code": coded(code, OBSERVATION),
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": f"{day}T10:00:00-04:00",
        **more,
    }


def trial(day, block, number, seen):
    parts = [
        component("training-block", block),
        {"code": coded("trial-number", OBSERVATION), "valueInteger": number},
        component("posture", "chin-down"),
        component("jaw-position", "open"),
        component("effort-instructed", "light"),
    ]
    answer = coded("closed" if seen == "1" else "not-closed")
    return observation(
        f"{day}-{block}-{number}", "trial-closure", day, valueCodeableConcept=answer, component=parts
    )


def encounter(day):
    return {
        "resourceType": "Encounter",
        "id": f"visit-{day}",
        "status": "finished",
        "class": {"code": "AMB"},
        "subject": {"reference": "Patient/p1"},
        "period": {"start": f"{day}T10:00:00-04:00"},
    }


def patient(id_, family, **more):
    return {"resourceType": "Patient", "id": id_, "name": [{"family": family, "given": ["Test"]}], **more}


GOAL = {
    "resourceType": "Goal",
    "id": "g1",
    "lifecycleStatus": "active",
    "achievementStatus": {
        "coding": [
            {"system": "http://terminology.hl7.org/CodeSystem/goal-achievement", "code": "in-progress"}
        ]
    },
    "description": {"text": "Close the vocal folds"},
    "subject": {"reference": "Patient/p1"},
    "startDate": "2026-06-05",
    "target": [
        {
            "measure": coded("closure-accuracy", OBSERVATION),
            "detailQuantity": {
                "value": 80,
                "comparator": ">=",
                "unit": "%",
                "system": "http://unitsofmeasure.org",
                "code": "%",
            },
            "dueDate": "2026-09-25",
        }
    ],
}
LABEL = {"meta": {"security": [{"code": "HTEST"}]}, "birthDate": "1935-03-14"}
FLAGS = {"component": [component("fever", "no"), component("blood", "yes")]}
FILED = [
    patient("p1", "Testwell", **LABEL),
    GOAL,
    *(encounter(day) for day, _, _ in VISITS),
    *(
        trial(day, block, number, seen)
        for day, probe, after in VISITS
        for block, row in (("pre", probe), ("post", after))
        for number, seen in enumerate(row, 1)
    ),
    observation("level", "oral-intake-7", "2026-07-03", valueInteger=5),
    observation("flags", "red-flag-checklist", "2026-07-03", **FLAGS),
]


async def put(store, *resources):
    async def work(transaction):
        for one in resources:
            content = json.dumps(one).encode()
            await transaction.put(one["resourceType"], one["id"], content, extract(one, zone=ZONE))

    await store.write("test", work)
