"""Each invariant's function answers what its published FHIRPath expression says."""

import re
from collections import Counter

import pytest
from invariant_nodes import Maker, in_examples, type_of, without_each

from service.fhir.fhirpath import compiled
from service.fhir.validation.invariants import _NARRATIVE, _RULES, _tables, invariants

SOURCE = "HL7 FHIR R4 4.0.1, the expressions of its constraints"
MADE, MOST_MADE, MOST_PATHS = 250, 5_000, 3
EVERY, MOST_OF_EXAMPLES, MOST_OF_RULE = 2, 12, 150
ONE_SIDED = {"cid-0": "a ChargeItemDefinition has no name"}

_ANCHORED = "R5 anchors the pattern (cnl-0, eld-19): unanchored, any name with a capital letter would do"
_IN_ORDER = "the boundaries of R5: what can't be told at the precision there is breaks nothing"
_NO_VALUE = "what has extensions in place of its value (a reason why it is absent) breaks nothing"
_NAMES = "name.hasValue() implies name.matches('^[A-Z]([A-Za-z0-9_]){0,254}$')"
AMENDED = {
    "bdl-8": ("fullUrl.hasValue() implies fullUrl.contains('/_history/').not()", "as in R5: only where there is one"),
    "con-3": (
        "clinicalStatus.exists() or verificationStatus.coding.where(system="
        "'http://terminology.hl7.org/CodeSystem/condition-ver-status' and code = 'entered-in-error').exists() or "
        "category.coding.where(system='http://terminology.hl7.org/CodeSystem/condition-category' and "
        "code='problem-list-item').empty()",
        "as in R5 (con-2): a CodeableConcept is never equal to a text",
    ),
    "dom-3": (
        "contained.where((('#'+id in (%resource.descendants().reference | "
        "%resource.descendants().ofType(canonical) | %resource.descendants().ofType(uri) | "
        "%resource.descendants().ofType(url))) or descendants().where(reference = '#').exists() or "
        "descendants().where(ofType(canonical) = '#').exists()).not()).empty()",
        "ofType(), as `as` takes one value",
    ),
    "eld-12": (
        "valueSet.exists() implies (valueSet.startsWith('http:') or valueSet.startsWith('https') or "
        "valueSet.startsWith('urn:') or valueSet.startsWith('#'))",
        "as in R5: a contained value set may be bound",
    ),
    "eld-2": (
        "min.hasValue().not() or max.hasValue().not() or (max = '*') or iif(max != '*', min <= max.toInteger())",
        _NO_VALUE,
    ),
    "ig-1": ("resource.groupingId.where(hasValue()).all(%context.grouping.id contains $this)", _NO_VALUE),
    "ig-2": (
        "definition.resource.fhirVersion.where(hasValue()).all(%context.fhirVersion contains $this)",
        _NO_VALUE,
    ),
    "md-1": ("max.hasValue().not() or max='*' or (max.toInteger() > 0)", "max is optional"),
    "per-1": (
        "start.hasValue().not() or end.hasValue().not() or (start <= end).empty() or (start <= end)",
        _IN_ORDER,
    ),
    "que-7": ("operator = 'exists' implies (answer is boolean)", "as in R5: the type is FHIR's boolean"),
    "ras-2": (
        "probability.ofType(decimal).hasValue() implies (probability as decimal) <= 100",
        "a probability is optional, and `is` of nothing is nothing",
    ),
    "ref-1": (
        "reference.hasValue() implies (reference.startsWith('#').not() or (reference.substring(1) in "
        "%rootResource.contained.id) or (reference='#' and %rootResource!=%resource))",
        "as in R5: # alone refers to the resource around, and there may be no reference",
    ),
    "rng-2": (
        "low.value.empty() or high.value.empty() or (low <= high).empty() or (low <= high)",
        _IN_ORDER,
    ),
    "tim-4": ("duration.hasValue() implies duration >= 0", _NO_VALUE),
    "tim-5": ("period.hasValue() implies period >= 0", _NO_VALUE),
    "tim-9": (
        "offset.empty() or (when.exists() and (when.where($this in ('C' | 'CM' | 'CD' | 'CV')).empty()))",
        "as in R5: `in` takes one value on its left, and when repeats",
    ),
    "mdd-1": (
        "whenHandedOver.empty() or whenPrepared.empty() or (whenHandedOver >= whenPrepared).empty() or "
        "(whenHandedOver >= whenPrepared)",
        _IN_ORDER,
    ),
    "inv-1 Task": (
        "lastModified.exists().not() or authoredOn.exists().not() or (lastModified >= authoredOn).empty() or "
        "(lastModified >= authoredOn)",
        _IN_ORDER,
    ),
    **{name: (_NAMES, _ANCHORED) for name in _RULES if name.endswith("-0")},
}
"""Rules whose published expression is known to say something else than the rule, and why."""


def expression(name):
    published = _tables()["rules"][name][2]
    if name == "sdf-19":
        return published.replace("code.all(", "code.where(hasValue()).all(")
    if name in {"eld-19", "eld-20"}:
        return re.sub(r"matches\('(.*)'\)$", r"matches('^\1$')", published)
    return AMENDED.get(name, (published,))[0]


def holds_as_published(name, found):
    path, node, resource, root = found
    try:
        answer = compiled(expression(name)).values(
            node, {"resource": resource, "rootResource": root}, type_=type_of(path)
        )
    except ValueError:  # as the standard's own validator: what can't be evaluated is broken
        return False
    return answer == [True]


def names_at(path):
    return [name for name in _tables()["at"].get(path, ()) if name not in _NARRATIVE]


def function(name, path):
    key = name.partition(" ")[0]
    return next(rule.holds for rule in invariants(path) if rule.key == key)


def agree(name, found):
    """Whether the rule holds; the function and the published expression say the same."""
    ours = function(name, found[0])(*found[1:])
    assert ours == holds_as_published(name, found), (name, found)
    return ours


@pytest.mark.published(SOURCE)
def test_made_up_nodes(tell):
    seen = Counter()
    for name in sorted(_RULES):
        maker = Maker(name, expression(name))
        paths = [path for path, names in _tables()["at"].items() if name in names][:MOST_PATHS]
        own = Counter(agree(name, found) for path in paths for found in maker.nodes(path, MADE))
        for found in maker.nodes(paths[0], MOST_MADE):
            if len(own) == 2:
                break
            own[agree(name, found)] += 1
        assert len(own) == (1 if name in ONE_SIDED else 2), f"{name} must be seen kept and broken: {own}"
        seen += own
    tell(
        f"invariants as functions and as FHIRPath: {len(_RULES)} rules, {seen.total()} made-up nodes, "
        f"{seen[False]} of them breaking, 0 disagreements"
    )


@pytest.mark.published(SOURCE)
def test_nodes_of_the_official_examples(tell):
    done, seen, rules = Counter(), Counter(), set()
    for found in in_examples(every=EVERY):
        for name in names_at(found[0]):
            if done[name, found[0]] < MOST_OF_EXAMPLES and done[name] < MOST_OF_RULE:
                done[name, found[0]] += 1
                done[name] += 1
                rules.add(name)
                words = set(re.findall(r"\w+", expression(name)))
                for one in (found, *without_each(found, words)):
                    seen[agree(name, one)] += 1
    tell(
        f"invariants on official examples: {len(rules)} rules, {seen.total()} nodes (each also without what the "
        f"rule names), {seen[False]} of them breaking, 0 disagreements"
    )
    assert len(rules) > 200
