"""FHIRPath trees made into functions, once per expression."""

from collections.abc import Callable
from typing import Any

from service.fhir.fhirpath.arithmetic import calculate, negated
from service.fhir.fhirpath.comparing import distinct, equal, equivalent, member_of, order
from service.fhir.fhirpath.context import Context
from service.fhir.fhirpath.nodes import Node, extends, is_a, is_known, members, node_of, value
from service.fhir.fhirpath.syntax import Term
from service.fhir.fhirpath.values import CannotError

__all__ = ["Evaluated", "Function", "Functions", "compile_term", "single", "truth"]

_NAMED = {
    "ucum": "http://unitsofmeasure.org",
    "sct": "http://snomed.info/sct",
    "loinc": "http://loinc.org",
}
_DEFINED = (("vs-", "http://hl7.org/fhir/ValueSet/"), ("ext-", "http://hl7.org/fhir/StructureDefinition/"))


Evaluated = Callable[[Context], list[Any]]
Logic = Callable[[bool | None, bool | None], bool | None]
Relation = Callable[[list[Any], list[Any]], bool | None]
Function = Callable[..., list[Any]]
"""A FHIRPath function: takes the context, its input and its arguments as functions of a context."""
Functions = dict[str, tuple[int, int, Function]]
"""The functions by name, each with the least and most arguments it takes."""


def truth(items: list[Any]) -> bool | None:
    """A collection as a condition: None if empty, true for one item of another kind; ValueError for many."""
    if not items:
        return None
    if len(items) > 1:
        raise CannotError("a condition has several values")
    found = value(items[0])
    return found if isinstance(found, bool) else found is not None or None


def single(items: list[Any], kind: type | tuple[type, ...]) -> Any:
    """The one value of a collection, None if it is empty; ValueError if it has several or another kind."""
    if not items:
        return None
    if len(items) > 1:
        raise CannotError("one value is needed, several are there")
    found = value(items[0])
    if found is None:
        return None
    if not isinstance(found, kind) or (isinstance(found, bool) and kind is not bool):
        raise CannotError("the value is of a kind that can't be used here")
    return found


def compile_term(term: Term, functions: Functions) -> Evaluated:
    """Answer the function that evaluates a term; ValueError names what is unknown in it."""
    if term.kind == "call":
        return _called(term, functions)
    parts = (compile_term(one, functions) for one in term.parts)
    return _MAKERS[term.kind](term.value, *parts)


def _called(term: Term, functions: Functions) -> Evaluated:
    owner = compile_term(term.parts[0], functions)
    if term.value in {"is", "as", "ofType"}:
        return _typed(term.value, _type_named(term), owner)
    if term.value not in functions:
        raise CannotError(f"it uses a function that there is not: {term.value}()")
    least, most, function = functions[term.value]
    make = _sorted_by if term.value == "sort" else compile_term
    arguments = [make(one, functions) for one in term.parts[1:]]
    if not least <= len(arguments) <= most:
        raise CannotError(f"it gives {term.value}() {len(arguments)} arguments; there are {least} to {most}")
    return lambda context: function(context, owner(context), *arguments)


def _literal(value: Any) -> Evaluated:
    constant = [value]
    return lambda _: constant


def _start(name: str) -> Evaluated:
    """A name at the beginning of a path: the type of the item in focus, or an element of it."""
    may_be_type = name[:1].isupper()

    def evaluate(context: Context) -> list[Any]:
        found: list[Any] = []
        for item in context.this:
            if may_be_type and isinstance(item, Node) and extends(item.type, name):
                found.append(item)
            else:
                found.extend(members(item, name))
        context.environment.spend(len(found))
        return found

    return evaluate


def _member(name: str, owner: Evaluated) -> Evaluated:
    def evaluate(context: Context) -> list[Any]:
        found = [below for item in owner(context) for below in members(item, name)]
        context.environment.spend(len(found))
        return found

    return evaluate


def _variable(name: str) -> Evaluated:
    constant = _NAMED.get(name)
    for prefix, base in _DEFINED:
        if name.startswith(prefix):
            constant = base + name.removeprefix(prefix)

    def evaluate(context: Context) -> list[Any]:
        if name in context.environment.variables:
            given = context.environment.variables[name]
            return [node_of(one) for one in (given if isinstance(given, list) else [given])]
        if constant is None:
            raise CannotError(f"there is no variable %{name}")
        return [constant]

    return evaluate


def _special(name: str) -> Evaluated:
    if name == "$this":
        return lambda context: context.this
    if name == "$index":
        return lambda context: [context.index]
    return lambda context: context.total or []


def _sign(sign: str, operand: Evaluated) -> Evaluated:
    def evaluate(context: Context) -> list[Any]:
        found = operand(context)
        if len(found) > 1:
            raise CannotError(f"{sign} takes one number")
        return [negated(value(one)) if sign == "-" else one for one in found]

    return evaluate


def _item(_: None, owner: Evaluated, index: Evaluated) -> Evaluated:
    def evaluate(context: Context) -> list[Any]:
        place = single(index(context), int)
        return owner(context)[place : place + 1] if place is not None and place >= 0 else []

    return evaluate


def _type_named(term: Term) -> tuple[str, str]:
    """The type that stands as an argument: ``Quantity``, ``FHIR.Quantity``."""
    named = term.parts[1] if len(term.parts) == 2 else Term("empty")
    if named.kind == "start":
        return "", named.value
    if named.kind == "member" and named.parts[0].kind == "start":
        return named.parts[0].value, named.value
    raise CannotError(f"it gives {term.value}() something else than the name of a type")


def _typed(word: str, named: tuple[str, str], owner: Evaluated) -> Evaluated:
    space, name = named

    def evaluate(context: Context) -> list[Any]:
        if not is_known(space, name):
            raise CannotError(f"there is no type {name}")
        found = owner(context)
        if word != "ofType" and len(found) > 1:
            raise CannotError(f"'{word}' takes one value; ofType() takes several")
        if word == "is":
            return [is_a(item, space, name) for item in found]
        return [item for item in found if is_a(item, space, name, exactly=True)]

    return evaluate


def _sorted_by(term: Term, functions: Functions) -> Evaluated:
    """A key to sort by; a sign before it, which a text can't have, asks for the other direction."""
    down = term.kind == "sign" and term.value == "-"
    key = compile_term(term.parts[0] if down else term, functions)

    def evaluate(context: Context) -> list[Any]:
        return key(context)

    evaluate.descending = down  # type: ignore[attr-defined]
    return evaluate


def _operator(sign: str, left: Evaluated, right: Evaluated) -> Evaluated:
    if sign in _LOGIC:
        return _logical(*_LOGIC[sign], left, right)
    if sign in _RELATIONS:
        return _related(_RELATIONS[sign], left, right)
    if sign == "|":
        return lambda context: distinct([*left(context), *right(context)])
    return lambda context: calculate(sign, left(context), right(context))


def _logical(settles: bool | None, logic: Logic, left: Evaluated, right: Evaluated) -> Evaluated:
    """The right side is looked at only if the left does not settle it."""

    def evaluate(context: Context) -> list[Any]:
        one = truth(left(context))
        settled = settles is not None and one is settles
        return _answer(logic(one, None if settled else truth(right(context))))

    return evaluate


def _related(relation: Relation, left: Evaluated, right: Evaluated) -> Evaluated:
    def evaluate(context: Context) -> list[Any]:
        one, two = left(context), right(context)
        context.environment.spend(len(one) + len(two))
        return _answer(relation(one, two))

    return evaluate


def _answer(found: bool | None) -> list[Any]:
    return [] if found is None else [found]


def _and(left: bool | None, right: bool | None) -> bool | None:
    if left is False or right is False:
        return False
    return None if left is None or right is None else True


def _or(left: bool | None, right: bool | None) -> bool | None:
    if left or right:
        return True
    return None if left is None or right is None else False


def _xor(left: bool | None, right: bool | None) -> bool | None:
    return None if left is None or right is None else left != right


def _implies(left: bool | None, right: bool | None) -> bool | None:
    if left is False or right:
        return True
    return None if left is None or right is None else False


def _not_equal(left: list[Any], right: list[Any]) -> bool | None:
    found = equal(left, right)
    return None if found is None else not found


def _in(left: list[Any], right: list[Any]) -> bool | None:
    if not left:
        return None
    if len(left) > 1:
        raise CannotError("'in' takes one value on its left")
    return member_of(left[0], right)


def _compared(*wanted: int) -> Relation:
    def relation(left: list[Any], right: list[Any]) -> bool | None:
        found = order(left, right)
        return None if found is None else found in wanted

    return relation


_LOGIC: dict[str, tuple[bool | None, Logic]] = {
    "and": (False, _and),
    "or": (True, _or),
    "xor": (None, _xor),
    "implies": (False, _implies),
}
_RELATIONS: dict[str, Relation] = {
    "=": equal,
    "!=": _not_equal,
    "~": equivalent,
    "!~": lambda left, right: not equivalent(left, right),
    "<": _compared(-1),
    "<=": _compared(-1, 0),
    ">": _compared(1),
    ">=": _compared(0, 1),
    "in": _in,
    "contains": lambda left, right: _in(right, left),
}
_MAKERS: dict[str, Callable[..., Evaluated]] = {
    "literal": _literal,
    "empty": lambda _: lambda _: [],
    "this": lambda _: lambda context: context.this,
    "group": lambda _, inner: inner,
    "start": _start,
    "member": _member,
    "variable": _variable,
    "special": _special,
    "sign": _sign,
    "item": _item,
    "is": lambda named, owner: _typed("is", named, owner),
    "as": lambda named, owner: _typed("as", named, owner),
    "operator": _operator,
}
