"""Invariants of TestScript and TestReport."""

from service.fhir.json import Tree
from service.fhir.validation.invariants.conditions import Rule, exactly_one, one_of, plain, together
from service.fhir.validation.reading import parts, there

__all__ = ["RULES"]

_ASSERTIONS = (
    *("contentType", "expression", "headerField", "minimumId", "navigationLinks", "path", "requestMethod"),
    *("resource", "responseCode", "response", "validateProfileId"),
)
_WHOLE_SERVER = ("capabilities", "search", "transaction", "history")


def _capability_stated(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return any(there(one, "required", "validated") for one in parts(node, "capability"))


def _one_way_at_most(node: Tree, _resource: Tree, _root: Tree) -> bool:
    return not (there(node, "expression") and there(node, "headerField") and there(node, "path"))


def _addressed(node: Tree, _resource: Tree, _root: Tree) -> bool:
    ways = there(node, "targetId") + there(node, "url") + there(node, "params")
    kind = node.get("type", {}).get("code")
    return ways == 1 or there(node, "sourceId") or kind in _WHOLE_SERVER


def _responses_only_of_responses(node: Tree, _resource: Tree, _root: Tree) -> bool:
    if not there(node, "direction") or node.get("direction") == "response":
        return True
    return node.get("direction") == "request" and not there(node, "response", "responseCode")


_ACTION = exactly_one("operation", "assert")
_COMPARED = together("compareToSourceId", "compareToSourceExpression", "compareToSourcePath")
_ONE_ASSERTION = one_of(*_ASSERTIONS, unless="extension")
_OF_ASSERT = "TestScript.setup.action.assert"
RULES: dict[str, Rule] = {
    "inv-1 TestReport.setup.action": _ACTION,
    "inv-2": _ACTION,
    "tst-1": _ACTION,
    "tst-2": _ACTION,
    "tst-3": plain(_one_way_at_most),
    "tst-4": plain(_capability_stated),
    "tst-5": _ONE_ASSERTION,
    "tst-6": lambda _: _ONE_ASSERTION(_OF_ASSERT),  # refers to the part, and has the rule once more
    "tst-7": plain(_addressed),
    "tst-8": plain(_addressed),
    "tst-9": plain(_addressed),
    "tst-10": _COMPARED,
    "tst-11": lambda _: _COMPARED(_OF_ASSERT),
    "tst-12": plain(_responses_only_of_responses),
    "tst-13": plain(_responses_only_of_responses),
}
