"""Where a goal stands, as results: its own elements as Observations, and its baseline."""

from collections.abc import Iterator, Mapping
from typing import Any

from service.hl7v2.mapping import reports
from service.records.parts import target
from service.records.stored import code_of, reference_to
from service.terminology.codes import OBSERVATION, codes

__all__ = ["goal_results"]

Tree = dict[str, Any]


def goal_results(root: Tree, on_file: Mapping[str, Tree]) -> list[Tree]:
    """Answer them in the order of the table, each with its number in ``sub``."""
    known = codes()
    when = {"effectiveDateTime": root["statusDate"]} if "statusDate" in root else {}
    shared = {"resourceType": "Observation", "id": root["id"], **when}
    made: list[Tree] = []
    for row in reports().goal:
        for number, value in enumerate(_goal_values(root, row, on_file), 1):
            code = value.pop("code", None) or known.concept(row["code"])
            sub = row["sub"] if number == 1 else f"{row['sub']}.{number}"
            made.append({**shared, "code": code, **value, "sub": sub})
    return made


def _goal_values(root: Tree, row: Mapping[str, str], on_file: Mapping[str, Tree]) -> Iterator[Tree]:
    if row["from"] == "Observation":
        whole = reference_to(root)
        for one in on_file.values():
            if (
                whole in map(target, one.get("focus", ()))
                and code_of(one["code"], OBSERVATION) == row["code"]
            ):
                yield {**one}
        return
    value = root.get(row["from"].partition(".")[2])
    if row["from"] == "Goal.target":
        yield from (_target_value(one) for one in value or () if "measure" in one)
    elif isinstance(value, dict):
        coded = "coding" in value
        yield {"valueCodeableConcept": value} if coded else {"valueString": value.get("text", "")}
    elif value and "system" in row:
        coding = codes().coding(row["system"], value)
        yield {"valueCodeableConcept": {"coding": [coding], "text": coding["display"]}}
    elif value:
        yield {"valueString": value}


def _target_value(one: Tree) -> Tree:
    """A target as an Observation: what is measured, the detail as its value, and by when as a note."""
    kept = {f"value{name[6:]}": value for name, value in one.items() if name.startswith("detail")}
    due = {"note": [{"text": f"Due {one['dueDate']}"}]} if "dueDate" in one else {}
    return {"code": one["measure"], **kept, **due}
