"""What the terminology operations are asked about: codings, and the value set or code system meant."""

from typing import Literal

from service.errors import InvalidInput, Issue, IssueType, NotFound, Place
from service.fhir.code_systems import CodeSystem
from service.fhir.json import Tree
from service.interactions.terms import Terms
from service.operations.arguments import Arguments

__all__ = ["asked_codings", "asked_value_set", "found_system", "one_of", "said", "whole_number"]


def said(given: Arguments, name: str) -> str:
    """The text of a parameter that may be given once, empty if it was not."""
    return str(given.get(name, [""])[0])


def whole_number(given: Arguments, name: str) -> int | None:
    """A number from 0 on, None if it was not given."""
    if name not in given:
        return None
    if (number := int(said(given, name))) < 0:
        raise _refused(name, f"Parameter '{name}' must not be negative.")
    return number


def one_of(given: Arguments, names: tuple[str, ...]) -> str:
    """The one parameter of several that was given."""
    found = [name for name in names if name in given]
    if len(found) != 1:
        raise _refused(
            names[0], f"Give exactly one of the parameters {', '.join(names)}.", IssueType.REQUIRED
        )
    return found[0]


def asked_codings(given: Arguments, *, version: str = "version") -> list[Tree]:
    """The codings asked about: of ``code`` and ``system``, ``coding`` or ``codeableConcept``.

    A coding without code can't be asked about.
    """
    match one_of(given, ("code", "coding", "codeableConcept")):
        case "code":
            names = {"system": "system", "code": "code", "display": "display", "version": version}
            codings = [{to: said(given, name) for to, name in names.items() if name in given}]
        case "coding":
            codings = given["coding"]
        case _:
            codings = given["codeableConcept"][0].get("coding", [])
    if not codings or not all("code" in one for one in codings):
        raise _refused("code", "There is no code to look at.", IssueType.REQUIRED)
    return codings


async def asked_value_set(
    terms: Terms, given: Arguments, id_: str, *, elsewhere: Literal["", "ask", "fetch"] = ""
) -> Tree:
    """The value set of the address, of ``url`` or of ``valueSet``, with all that it is made of prepared.

    ``elsewhere``: one that may be known to the site's terminology server only. It stands for itself, as a set
    of itself, if that can be asked about its codes; or it is fetched.
    """
    if id_:
        tree = await terms.by_id("ValueSet", id_)
    elif one_of(given, ("url", "valueSet")) == "valueSet":
        tree = given["valueSet"][0]
    else:
        version = said(given, "valueSetVersion")
        address = f"{said(given, 'url')}|{version}" if version else said(given, "url")
        await terms.find("ValueSet", address)
        known = terms.value_set(address)
        if known is None and elsewhere == "fetch" and await terms.elsewhere.fetch([address]):
            known = terms.value_set(address)
        if known is None and elsewhere == "ask" and terms.elsewhere.there:
            return {"url": address, "compose": {"include": [{"valueSet": [address]}]}}
        if known is None:
            raise NotFound(
                "The value set of this url (and version) is not known here.", expression="http.url"
            )
        tree = known
    await terms.prepare(tree)
    return tree


async def found_system(terms: Terms, url: str) -> CodeSystem | None:
    """The code system of a URL, None if it is not here."""
    await terms.find("CodeSystem", url)
    return terms.code_system(url)


def _refused(name: str, message: str, code: IssueType = IssueType.INVALID) -> InvalidInput:
    return InvalidInput(Issue(message, code=code, place=Place(expression=f"http.{name}")))
