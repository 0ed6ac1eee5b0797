"""``CodeSystem/$lookup`` and ``$subsumes`` (FHIR R4 codesystem-operation-lookup.html, -subsumes.html)."""

from collections.abc import Iterator
from typing import Any

from service.errors import InvalidInput, Issue, IssueType, NotFound, NotKnownHere, Place
from service.fhir.code_systems import CodeSystem, Concept, known_in
from service.fhir.json import Tree, dump
from service.interactions.aside import aside
from service.interactions.elsewhere import outcome_of
from service.interactions.terms import Terms
from service.operations.arguments import Arguments
from service.operations.asked_codes import asked_codings, found_system, one_of, said
from service.operations.parts import Part, group, part, text

__all__ = ["lookup", "subsumes"]

_TOLD_APART = frozenset({"parent", "child"})


async def lookup(terms: Terms, given: Arguments) -> bytes:
    """Answer what is known of a code. NotFound if its system has no such code."""
    (coding,) = asked_codings(given)
    url, code = _system(coding.get("system", "")), coding["code"]
    system = await found_system(terms, url)
    concept = system.concept(code) if system else None
    if concept is None and not known_in(url, system, code):
        absent = _absent(url, system, code)
        if not isinstance(absent, NotKnownHere):
            raise absent
        told = await terms.elsewhere.parameters("CodeSystem/$lookup", ("system", url), ("code", code))
        if told is None:
            raise absent
        return dump({"resourceType": "Parameters", "parameter": told["parameter"]})
    parameters = _known(system, concept, given) if system and concept else _by_rule(url, code)
    return dump({"resourceType": "Parameters", "parameter": parameters})


async def subsumes(terms: Terms, given: Arguments, id_: str) -> bytes:
    """Answer how code A and code B of one system stand to each other."""
    url, codes = _two(given)
    by_id = CodeSystem(await terms.by_id("CodeSystem", id_)) if id_ else None
    system = by_id or await found_system(terms, _system(url))
    try:
        outcome = await aside(_relation, system, url, *codes)
    except NotKnownHere:
        pair = ("codeA", codes[0]), ("codeB", codes[1])
        path, of = "CodeSystem/$subsumes", ("system", system.url if system else url)
        outcome = outcome_of(await terms.elsewhere.parameters(path, of, *pair))
        if not outcome:
            raise
    return dump({"resourceType": "Parameters", "parameter": [part("outcome", valueCode=outcome)]})


def _system(url: str) -> str:
    if not url:
        text = "Name the code system that the code is of."
        raise InvalidInput(Issue(text, code=IssueType.REQUIRED, place=Place(expression="http.system")))
    return url


def _relation(system: CodeSystem | None, url: str, first: str, second: str) -> str:
    if system is None:
        raise _absent(url, system, first)
    left, right = (system.concept(code) for code in (first, second))
    if left is None or right is None:
        raise _absent(system.url, system, first if left is None else second)
    if left.code == right.code:
        return "equivalent"
    if system.subsumes(left.code, right.code):
        return "subsumes"
    if system.subsumes(right.code, left.code):
        return "subsumed-by"
    if not system.complete:
        raise NotKnownHere(
            f"How these codes stand to each other can't be told: {system.url} is not all here."
        )
    return "not-subsumed"


def _two(given: Arguments) -> tuple[str, tuple[str, str]]:
    """The system, and code A and code B."""
    if one_of(given, ("codeA", "codingA")) == "codeA":
        one_of(given, ("codeB",))
        return said(given, "system"), (said(given, "codeA"), said(given, "codeB"))
    one_of(given, ("codingB",))
    first, second = given["codingA"][0], given["codingB"][0]
    systems = {first.get("system", ""), second.get("system", ""), *given.get("system", ())}
    if len(systems) > 1 or "code" not in first or "code" not in second:
        raise InvalidInput("Both codings need a code, and one and the same code system.")
    return systems.pop(), (first["code"], second["code"])


def _absent(url: str, system: CodeSystem | None, code: str) -> NotFound | NotKnownHere:
    if known_in(url, system, code) is None:
        return NotKnownHere(
            f"The content of the code system '{url[:200]}' is not here: nothing can be said about this code."
        )
    return NotFound(f"The code system '{url[:200]}' has no code '{code[:64]}'.")


def _by_rule(url: str, code: str) -> list[Part]:
    """A code that is told by the rules of its system (a unit, a language)."""
    return [part("name", valueString=url), part("display", valueString=code)]


def _known(system: CodeSystem, concept: Concept, given: Arguments) -> list[Part]:
    tree, language = system.tree, said(given, "displayLanguage")
    designations = [one for one in concept.tree.get("designation", ()) if "value" in one]
    return [
        part("name", valueString=tree.get("name") or system.url),
        *text("version", "" if system.supplement else tree.get("version", "")),
        part("display", valueString=concept.translated(language) or concept.display),
        *(_designation(one) for one in designations),
        *_properties(system, concept, set(given.get("property", ()))),
    ]


def _designation(tree: Tree) -> Part:
    use = [part("use", valueCoding=tree["use"])] if "use" in tree else []
    language = [part("language", valueCode=tree["language"])] if "language" in tree else []
    return group("designation", [*language, *use, part("value", valueString=tree["value"])])


def _properties(system: CodeSystem, concept: Concept, wanted: set[str]) -> Iterator[Part]:
    """The properties asked for; all of them, parents and children included, if none was named."""
    for name, value in (*_standard(system, concept), *_own(concept)):
        if not wanted or name in wanted:
            yield group("property", [part("code", valueCode=name), part("value", **value)])


def _standard(system: CodeSystem, concept: Concept) -> Iterator[tuple[str, dict[str, Any]]]:
    if "definition" in concept.tree:
        yield "definition", {"valueString": concept.tree["definition"]}
    yield "inactive", {"valueBoolean": not concept.active}
    for code in concept.parents:
        yield "parent", {"valueCode": code}
    for code in system.children(concept.code):
        yield "child", {"valueCode": code}


def _own(concept: Concept) -> Iterator[tuple[str, dict[str, Any]]]:
    for one in concept.tree.get("property", ()):
        value = {key: value for key, value in one.items() if key.startswith("value")}
        if value and one.get("code", "") not in {"", *_TOLD_APART}:
            yield one["code"], value
