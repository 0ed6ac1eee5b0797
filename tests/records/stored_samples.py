"""Small stored resources, as they lie in the store."""

from service.fhir.canonical import code_system, extension

OBSERVATION, VALUE = code_system("swallow-observation"), code_system("swallow-value")
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
ACHIEVEMENT = "http://terminology.hl7.org/CodeSystem/goal-achievement"


def concept(code, system=VALUE):
    standard = {"system": "http://snomed.info/sct", "code": "1"}
    return {"coding": [standard, {"system": system, "code": code}]}


def reference(target):
    return {"reference": target}


def component(code, **value):
    return {"code": concept(code, OBSERVATION), **value}


def answered(code, answer):
    return component(code, valueCodeableConcept=concept(answer))


def reps(number):
    return {"value": number, "unit": "repetitions", "code": "1"}


def observation(id_, code, when, *components, **more):
    times = {"effectiveDateTime": when} if isinstance(when, str) else {"effectivePeriod": when}
    return {
        "resourceType": "Observation",
        "id": id_,
        "status": "final",
        "code": concept(code, OBSERVATION),
        "component": list(components),
        **times,
        **more,
    }


def trial(id_, seen, *components, when="2026-06-05T10:00:00Z", block="pre", number=1, **more):
    if seen in ("closed", "not-closed"):
        more["valueCodeableConcept"] = concept(seen)
    else:
        more["dataAbsentReason"] = concept(seen, ABSENT)
    parts = (answered("training-block", block), component("trial-number", valueInteger=number), *components)
    return observation(id_, "trial-closure", when, *parts, **more)


def judgement(of, said, *components, **more):
    value = (
        {"valueCodeableConcept": concept(said)}
        if said
        else {"dataAbsentReason": concept("not-asked", ABSENT)}
    )
    focus = [reference(f"Observation/{of}")]
    return observation(
        f"{of}-own",
        "trial-self-judgement",
        "2026-06-05T10:00:00Z",
        *components,
        focus=focus,
        **{**value, **more},
    )


def goal(id_="g1", *extensions, targets=None, **more):
    return {
        "resourceType": "Goal",
        "id": id_,
        "lifecycleStatus": "active",
        "description": {"text": "Closes on request"},
        "startDate": "2026-06-05",
        "target": [target()] if targets is None else targets,
        "extension": list(extensions),
        **more,
    }


def target(measure="closure-accuracy", value=80, comparator=">=", due="2026-09-25", **more):
    quantity = {"value": value, **({"comparator": comparator} if comparator else {})}
    dated = {"dueDate": due} if due else {}
    return {"measure": concept(measure, OBSERVATION), "detailQuantity": quantity, **dated, **more}


def ours(name, **value):
    return {"url": extension(name), **value}


def criterion(**parts):
    return ours(
        "goal-criterion",
        extension=[
            {"url": name, "valueDecimal" if name == "step" else "valuePositiveInt": value}
            for name, value in parts.items()
        ],
    )
