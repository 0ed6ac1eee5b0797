"""``$validate-code`` of ValueSet and CodeSystem (FHIR R4 valueset-operation-validate-code.html and its like).

What can't be told, as a code system or value set is not here, is an error (NotKnownHere), never ``false``.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from service.errors import NotKnownHere
from service.fhir.code_systems import CodeSystem, known_in
from service.fhir.composition import Composition, Question
from service.fhir.json import Tree, dump
from service.interactions.terms import Terms
from service.operations.arguments import Arguments
from service.operations.asked_codes import asked_codings, asked_value_set, found_system, one_of, said
from service.operations.parts import part, text

__all__ = ["validate_in_code_system", "validate_in_value_set"]


@dataclass(frozen=True, slots=True)
class _Place:
    """Where codes are looked for, and how; ``missing`` fills with what was needed and is not here.

    ``display`` is what another terminology server shows for a code.
    """

    where: str
    judge: Callable[[Tree], bool | None]
    system: Callable[[str], CodeSystem | None]
    missing: Mapping[str, None]
    display: Callable[[str, str], str]


async def validate_in_value_set(terms: Terms, given: Arguments, id_: str) -> bytes:
    """Whether a code, a coding or one coding of a concept is in a value set."""
    codings = asked_codings(given, version="systemVersion")
    tree = await asked_value_set(terms, given, id_, elsewhere="ask")
    await terms.find("CodeSystem", *(coding.get("system", "") for coding in codings))
    name = tree.get("url") or tree.get("title") or "given"
    abstract = said(given, "abstract") == "true"

    def judged() -> bytes:
        composition = Composition(terms, abstract=abstract, told=terms.elsewhere.told)

        def judge(coding: Tree) -> bool | None:
            return composition.holds(tree, coding.get("system", ""), coding["code"])

        where = f"the value set {name[:200]}"
        place = _Place(where, judge, terms.code_system, composition.missing, terms.elsewhere.display)
        return _judged(codings, place)

    return await terms.settled(judged)


async def validate_in_code_system(terms: Terms, given: Arguments, id_: str) -> bytes:
    """Whether a code, a coding or one coding of a concept is of a code system."""
    codings = [{**one} for one in asked_codings(given)]
    url, system = await _code_system(terms, given, id_, codings)
    for coding in codings:
        coding.setdefault("system", url)

    def judge(coding: Tree) -> bool | None:
        if coding["system"] != url:
            return False
        known = known_in(url, system, coding["code"])
        return terms.elsewhere.told(Question("has", url, coding["code"])) if known is None else known

    where = f"the code system {url[:200]}"
    place = _Place(where, judge, lambda _url: system, {url: None}, terms.elsewhere.display)
    return await terms.settled(_judged, codings, place)


async def _code_system(
    terms: Terms, given: Arguments, id_: str, codings: Sequence[Tree]
) -> tuple[str, CodeSystem | None]:
    if id_:
        system = CodeSystem(await terms.by_id("CodeSystem", id_))
        return system.url, system
    if "coding" in given and not {"url", "codeSystem"} & given.keys():
        url = str(codings[0].get("system", ""))
    elif one_of(given, ("url", "codeSystem")) == "codeSystem":
        system = CodeSystem(given["codeSystem"][0])
        return system.url, system
    else:
        url = said(given, "url")
    return url, await found_system(terms, url)


def _judged(codings: Sequence[Tree], place: _Place) -> bytes:
    answers = [place.judge(coding) for coding in codings]
    if True in answers:
        coding = codings[answers.index(True)]
        shown = _displays(coding, place.system(coding.get("system", "")))
        wrong = _wrong_display(coding, shown)
        display = shown[0] if shown else place.display(coding.get("system", ""), coding["code"])
        return _parameters(result=not wrong, message=wrong, display=display)
    if None in answers:
        names = ", ".join(one[:200] for one in place.missing) or "a rule"
        raise NotKnownHere(f"Whether the code is in {place.where} can't be told here: it depends on {names}.")
    names = ", ".join(f"'{one['code'][:64]}' of '{one.get('system', '')[:200]}'" for one in codings)
    return _parameters(result=False, message=f"Not in {place.where}: {names}.", display="")


def _displays(coding: Tree, system: CodeSystem | None) -> list[str]:
    """What may be shown for a code, the preferred display first; empty if that is not known."""
    concept = system.concept(coding["code"]) if system else None
    if concept is None or ("display" not in concept.tree and system is not None and not system.complete):
        return []
    others = (one["value"] for one in concept.tree.get("designation", ()) if "value" in one)
    return [concept.display, *others]


def _wrong_display(coding: Tree, shown: Sequence[str]) -> str:
    if not shown or "display" not in coding:
        return ""
    given = " ".join(coding["display"].casefold().split())
    if given in {" ".join(one.casefold().split()) for one in shown}:
        return ""
    return f"The display is not one of the code; it is '{shown[0]}'."


def _parameters(*, result: bool, message: str, display: str) -> bytes:
    parameters = [
        part("result", valueBoolean=result),
        *text("message", message),
        *text("display", display),
    ]
    return dump({"resourceType": "Parameters", "parameter": parameters})
