"""The demo's visit records as trees to change, for tests."""

from copy import deepcopy
from functools import cache
from zoneinfo import ZoneInfo

from service.records.authoring import author
from service.records.known import Known
from service.records.reading import read_record
from service.records.visit import VisitRecord
from service.shipped import shipped
from service.terminology.codes import codes

ZONE = ZoneInfo("America/New_York")


@cache
def _tree(name):
    path = shipped("examples", "visits", f"{name}.yaml")
    return read_record(path.read_bytes(), "yaml").tree


def visit_tree(name):
    """The tree of one example, free to change."""
    return deepcopy(_tree(name))


def example_names():
    """Every example, in the order of their file names."""
    return sorted(path.stem for path in shipped("examples", "visits").glob("*.yaml"))


def bundle_of(tree, *, snomed="all", known=None):
    """The Bundle of a tree; goals it refers to are on file unless ``known`` says otherwise."""
    record = VisitRecord.model_validate(tree, context={"zone": ZONE})
    keys = {review.goal for review in record.goal_reviews}
    keys |= {key for line in (record.home_plan.lines if record.home_plan else []) for key in line.goals}
    on_file = known or Known(goals={key: f"Goal/{key}" for key in keys})
    return author(record, on_file, codes(snomed), ZONE)


def parts_of(bundle):
    """Resources by the path below the record's identifier; the Encounter is ''."""
    found = {}
    for entry in bundle["entry"]:
        resource = entry["resource"]
        if resource["resourceType"] in ("Patient", "Practitioner"):
            continue
        identifier = resource["identifier"]
        value = identifier["value"] if isinstance(identifier, dict) else identifier[0]["value"]
        found[value.partition("/")[2]] = resource
    return found


def component_of(observation, code):
    """The components with a local code."""
    return [
        part
        for part in observation.get("component", [])
        if code in [coding["code"] for coding in part["code"].get("coding", [])]
    ]
