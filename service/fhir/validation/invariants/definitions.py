"""Invariants of the resources that define: capabilities, code systems, value sets, maps, guides, measures."""

import re
from itertools import chain

from service.fhir.json import Tree
from service.fhir.validation.invariants.conditions import (
    Rule,
    at_least_one,
    needed_for,
    needs,
    not_both,
    not_for,
    only_for,
    plain,
)
from service.fhir.validation.reading import descendants, distinct, parts, text, texts, there

__all__ = ["RULES"]

_NAME = re.compile(r"[A-Z]([A-Za-z0-9_]){0,254}")
_NAMED = (
    *("adf", "cid", "cmd", "cpb", "cpd", "csd", "ees", "esc", "evd", "evi", "evv", "gdf", "ig", "lib", "mea"),
    *("msd", "nsd", "opd", "pdf", "que", "red", "rsd", "rvs", "sdf", "smp", "spd", "tcp", "tst", "vsd"),
)


def _name(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return "name" not in node or _NAME.fullmatch(text(node, "name")) is not None


def _endpoint_of_instance(node: Tree, _resource: Tree, _root: Tree) -> bool:
    has_endpoint = any("endpoint" in one for one in parts(node, "messaging"))
    return not has_endpoint or node.get("kind") == "instance"


def _unique_documents(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return distinct(text(one, "profile") + text(one, "mode") for one in parts(node, "document"))


def _unique_resources(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return distinct(texts(parts(node, "resource"), "type"))


def _unique_parameters(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return distinct(texts(parts(node, "searchParam"), "name"))


def _software_only(node: Tree, _resource: Tree, _root: Tree) -> bool:
    if node.get("kind", "capability") != "capability":
        return True
    return "implementation" not in node and "software" in node


def _unique_codes(node: Tree, _resource: Tree, _root: Tree) -> bool:
    concepts = [parts(one, "concept") for one in (node, *descendants(node))]
    return distinct(texts(chain.from_iterable(concepts), "code"))


def _versions_told_apart(node: Tree, _resource: Tree, _root: Tree) -> bool:
    versions = parts(node, "version")
    return len(versions) <= 1 or all(there(one, "code") for one in versions)


def _commented(node: Tree, _resource: Tree, _root: Tree) -> bool:
    if there(node, "comment") or not there(node, "equivalence"):
        return True
    return text(node, "equivalence") not in {"", "narrower", "inexact"}


def _code_unless_abstract(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return there(node, "code") or node.get("abstract") is True


def _described_in_system(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return there(node, "system") or not ("concept" in node or "filter" in node)


def _known_groupings(node: Tree, _resource: Tree, _root: Tree) -> bool:
    known = set(texts(parts(node, "grouping"), "id"))
    return all(one in known for one in texts(parts(node, "resource"), "groupingId"))


def _known_versions(node: Tree, _resource: Tree, _root: Tree) -> bool:
    known = set(texts([node], "fhirVersion"))
    return all(one in known for one in texts(parts(node, "definition", "resource"), "fhirVersion"))


def _criteria_or_components(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return all(
        ("component" in one) != there(one, "code", "description", "criteria")
        for one in parts(node, "group", "stratifier")
    )


def _value_or_components(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return all(
        ("value" in one) != ("component" in one) for one in parts(node, "group", "stratifier", "stratum")
    )


def _focus_max(node: Tree, _resource: Tree, _root: Tree) -> bool:
    most = node.get("max", "*")
    return most == "*" or (re.fullmatch(r"[+-]?[0-9]+", most) is not None and int(most) > 0)


def _root_without_uuid(node: Tree, _resource: Tree, _root: Tree) -> bool:
    if node.get("kind", "root") != "root":
        return True
    return all(text(one, "type") not in {"", "uuid"} for one in parts(node, "uniqueId"))


def _one_preferred(node: Tree, _resource: Tree, _root: Tree) -> bool:
    preferred = [one for one in parts(node, "uniqueId") if one.get("preferred") is True]
    return distinct(texts(preferred, "type"))


_DESCRIBED = at_least_one("description", "software", "implementation")
RULES: dict[str, Rule] = {
    **{f"{prefix}-0": plain(_name) for prefix in _NAMED},
    "cmd-1": plain(_commented),
    "cmd-2": needed_for("mode", "fixed", "code"),
    "cmd-3": needed_for("mode", "other-map", "url"),
    "cpb-1": at_least_one("rest", "messaging", "document"),
    "cpb-2": _DESCRIBED,
    "cpb-3": plain(_endpoint_of_instance),
    "cpb-7": plain(_unique_documents),
    "cpb-9": plain(_unique_resources),
    "cpb-12": plain(_unique_parameters),
    "cpb-14": needed_for("kind", "instance", "implementation"),
    "cpb-15": plain(_software_only),
    "cpb-16": not_for("kind", ("requirements",), "implementation", "software"),
    "csd-1": plain(_unique_codes),
    "ig-1": plain(_known_groupings),
    "ig-2": plain(_known_versions),
    "md-1": plain(_focus_max),
    "mea-1": plain(_criteria_or_components),
    "mrp-1": not_for("type", ("data-collection",), "group"),
    "mrp-2": plain(_value_or_components),
    "nsd-1": plain(_root_without_uuid),
    "nsd-2": plain(_one_preferred),
    "opd-1": at_least_one("type", "part"),
    "opd-2": only_for("type", ("string",), "searchType"),
    "opd-3": only_for("type", ("Reference", "canonical"), "targetProfile"),
    "smp-1": needs("element", "context"),
    "smp-2": needs("context", "contextType"),
    "spd-1": needs("xpath", "xpathUsage"),
    "spd-2": only_for("type", ("reference",), "chain"),
    "tcp-1": plain(_versions_told_apart),
    "tcp-2": _DESCRIBED,
    "tcp-3": needed_for("kind", "instance", "implementation"),
    "tcp-4": plain(_software_only),
    "tcp-5": not_for("kind", ("requirements",), "implementation", "software"),
    "vsd-1": at_least_one("valueSet", "system"),
    "vsd-2": plain(_described_in_system),
    "vsd-3": not_both("concept", "filter"),
    "vsd-6": at_least_one("code", "display"),
    "vsd-9": plain(_code_unless_abstract),
    "vsd-10": needs("code", "system"),
}
