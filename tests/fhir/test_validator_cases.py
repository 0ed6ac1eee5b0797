"""The published cases of the validator: whether there is an error, and where.

Once as they are, and once with other ids, names, dates and order of entries, so that no case can be known by
what does not matter.
"""

import json
import os
import re
from pathlib import Path

import pytest

from service.errors import ServiceError, Severity
from service.fhir import json as fhir_json
from service.fhir import xml
from service.fhir.validation.profiles import Definitions
from service.fhir.validation.requested import check_requested

CASES = Path(os.environ.get("CONFORMANCE_DATA", "")) / "validator"
MISSED = json.loads(Path(__file__).with_name("validator_cases_missed.json").read_text("utf-8"))
"""Cases that are judged otherwise here, or told of at another place, and why."""

pytestmark = [
    pytest.mark.skipif("CONFORMANCE_DATA" not in os.environ, reason="CONFORMANCE_DATA names no folder"),
    pytest.mark.published("FHIR/fhir-test-cases, R4 validator cases"),
]


def errors(text, change_tree, *, is_xml):
    try:
        tree = xml.parse(text) if is_xml else fhir_json.parse(text)
    except ServiceError as error:
        return list(error.issues)
    return [
        one for one in check_requested(change_tree(tree), (), Definitions()) if one.severity is Severity.ERROR
    ]


def plain(expression):
    """Places as both sides write them: without comments, urls of extensions, types of choices."""
    return re.sub(r"/\*.*?\*/|\[url=[^\]]*\]|\.ofType\(\w+\)", "", expression).rstrip(".")


def cases():
    listed = json.loads((CASES / "cases.json").read_bytes())
    return [case for case in listed if not case["needs_terminology_server"]]


def published(case, moved):
    return {moved(plain(one)) for error in case["errors"] for one in error["expression"] or ()}


def judged_as(change):
    """Names of the cases: judged as published, refused without being wrong, told where published, wrong."""
    judged, alarms, placed, faulty = set(), set(), set(), set()
    for case in cases():
        name, wrong = case["name"], case["expect"] == "err"
        changed = change(case["file"])
        issues = errors(changed.text, changed.tree, is_xml=case["file"].endswith(".xml"))
        if bool(issues) == wrong:
            judged.add(name)
        elif issues:
            alarms.add(name)
        if wrong:
            faulty.add(name)
            told = published(case, changed.place)
            if issues and (not told or told & {issue.place.expression for issue in issues}):
                placed.add(name)
    return judged, alarms, placed, faulty


class AsItIs:
    called = "as they are"

    def __init__(self, file) -> None:
        self.text = (CASES / file).read_bytes()

    def tree(self, tree):
        return tree

    def place(self, expression):
        return expression


class Changed(AsItIs):
    called = "with other ids, names, dates and order"

    def __init__(self, file) -> None:
        super().__init__(file)
        self._ids = re.compile(r"(?!)()")
        self._moved = {}
        try:
            xml.parse(self.text) if file.endswith(".xml") else fhir_json.parse(self.text)
        except ServiceError:
            self.text = re.sub(rb'("family"\s*:\s*")', rb"\1Other ", other_years(self.text.decode()).encode())

    def tree(self, tree):
        ids = {one for one in ids_of(tree) if re.fullmatch(r"[A-Za-z0-9\-.]{1,60}", one)}
        if ids:
            every = "|".join(map(re.escape, sorted(ids, key=len, reverse=True)))
            self._ids = re.compile(rf"(?:(?<=[/#])|^)({every})(?=$|/|[\"#])")
        changed = {name: self._value(name, tree[name]) for name in reversed(tree)}
        if isinstance(entries := changed.get("entry"), list):
            fixed = 1 if changed.get("type") in {"document", "message"} else 0
            order = [*range(fixed), *reversed(range(fixed, len(entries)))]
            changed["entry"] = [entries[place] for place in order]
            self._moved = {old: new for new, old in enumerate(order)}
        return changed

    def place(self, expression):
        return re.sub(
            r"^(Bundle\.entry)\[(\d+)\]",
            lambda found: f"{found[1]}[{self._moved.get(int(found[2]), found[2])}]",
            expression,
        )

    def _value(self, name, value):
        if isinstance(value, dict):
            return {inner: self._value(inner, value[inner]) for inner in reversed(value)}
        if isinstance(value, list):
            return [self._value(name, one) for one in value]
        if not isinstance(value, str):
            return value
        if name in {"id", "reference", "fullUrl", "div"} or value.startswith("#"):
            return self._ids.sub(r"\1-b", value)
        if name in {"family", "given", "title", "publisher", "description"}:
            return f"Other {value}"
        return other_years(value) if DATE.fullmatch(value) else value


DATE = re.compile(r"(19|20)\d\d-[01]\d(-\d\d(T.*)?)?")


def other_years(text):
    """Dates four years earlier: their order stays, and whether a year has a 29th of February."""
    return re.sub(r"(?<![\w-])((?:19|20)\d\d)(?=-[01]\d\b)", lambda found: str(int(found[1]) - 4), text)


def ids_of(node):
    if isinstance(node, list):
        for one in node:
            yield from ids_of(one)
    elif isinstance(node, dict):
        if "resourceType" in node and isinstance(node.get("id"), str):
            yield node["id"]
        for value in node.values():
            yield from ids_of(value)


@pytest.mark.parametrize("change", [AsItIs, Changed], ids=["as they are", "changed"])
def test_published_cases_are_judged_as_published(change, tell):
    judged, alarms, placed, faulty = judged_as(change)
    every = {case["name"] for case in cases()}
    assert alarms == set()
    assert every - judged == set(MISSED["judged otherwise"])
    assert faulty & judged - placed == set(MISSED["told elsewhere"])
    assert len(judged) >= 0.95 * len(every)
    assert len(placed) >= 0.8 * len(faulty)
    tell(
        f"published validator cases {change.called}: {len(judged)} of {len(every)} judged as published, no "
        f"false alarm; {len(placed)} of {len(faulty)} faults told at the published place"
    )


def test_the_changed_cases_are_other_texts():
    same = [case["name"] for case in cases() if texts_of(AsItIs, case) == texts_of(Changed, case)]
    assert len(same) < 10, same


def texts_of(change, case):
    changed = change(case["file"])
    try:
        tree = xml.parse(changed.text) if case["file"].endswith(".xml") else fhir_json.parse(changed.text)
    except ServiceError:
        return changed.text
    return fhir_json.dump(changed.tree(tree))
