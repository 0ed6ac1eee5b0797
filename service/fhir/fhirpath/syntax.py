"""FHIRPath text read into a tree (FHIRPath 2.0.0, the grammar of its appendix B)."""

import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any, NamedTuple

from service.fhir.fhirpath.values import CALENDAR, Quantity, Temporal

__all__ = ["Parsed", "Term", "parse"]

_TOKEN = re.compile(
    r"""
    (?P<space>\s+|//[^\n]*|/\*.*?\*/)
    |(?P<time>@T\d\d(?::\d\d(?::\d\d(?:\.\d+)?)?)?(?:Z|[+-]\d\d:\d\d)?)
    |(?P<date>@\d{4}(?:-\d\d(?:-\d\d)?)?(?:T(?:\d\d(?::\d\d(?::\d\d(?:\.\d+)?)?)?)?(?:Z|[+-]\d\d:\d\d)?)?)
    |(?P<number>\d+(?:\.\d+)?)
    |(?P<string>'(?:[^'\\]|\\.)*')
    |(?P<name>[A-Za-z_][A-Za-z0-9_]*)
    |(?P<quoted>`(?:[^`\\]|\\.)*`)
    |(?P<variable>%(?:[A-Za-z_][A-Za-z0-9_]*|`(?:[^`\\]|\\.)*`|'(?:[^'\\]|\\.)*'))
    |(?P<special>\$this|\$index|\$total)
    |(?P<sign><=|>=|!=|!~|[-+*/&|<>=~.,()\[\]{}])
    """,
    re.VERBOSE | re.DOTALL | re.ASCII,
)
_ESCAPE = re.compile(r"\\(?:u([0-9a-fA-F]{4})|(.))", re.DOTALL)
_ESCAPED = {"r": "\r", "n": "\n", "t": "\t", "f": "\f"}
_POWER = {
    "implies": 2,
    **dict.fromkeys(("or", "xor"), 3),
    "and": 4,
    **dict.fromkeys(("in", "contains"), 5),
    **dict.fromkeys(("=", "~", "!=", "!~"), 6),
    **dict.fromkeys(("<", ">", "<=", ">="), 7),
    "|": 8,
    **dict.fromkeys(("is", "as"), 9),
    **dict.fromkeys(("+", "-", "&"), 10),
    **dict.fromkeys(("*", "/", "div", "mod"), 11),
}
_UNARY = 12
_SOFT = frozenset({"as", "contains", "in", "is"})  # operators that may also name an element
_HARD = frozenset(_POWER) - _SOFT | {"true", "false"}


class Term(NamedTuple):
    """A node of the tree: its kind, a name or value, and the terms below."""

    kind: str
    value: Any = None
    parts: tuple["Term", ...] = ()


class Parsed(NamedTuple):
    """An expression: its tree, and the functions and variables it uses."""

    term: Term
    functions: frozenset[str]
    variables: frozenset[str]


class _Token(NamedTuple):
    kind: str
    text: str
    at: int


def parse(text: str) -> Parsed:
    """Read an expression; ValueError says from where on it can't be read."""
    parser = _Parser(text)
    term = parser.expression(0)
    parser.end()
    return Parsed(term, frozenset(parser.functions), frozenset(parser.variables))


def _tokens(text: str) -> Iterator[_Token]:
    at = 0
    while at < len(text):
        found = _TOKEN.match(text, at)
        if found is None or found.lastgroup is None:
            raise _unreadable(text, at)
        if found.lastgroup != "space":
            yield _Token(found.lastgroup, found[0], at)
        at = found.end()
    yield _Token("end", "", at)


def _unreadable(text: str, at: int) -> ValueError:
    line = text.count("\n", 0, at) + 1
    column = at - (text.rfind("\n", 0, at) + 1) + 1
    return ValueError(f"it can't be read from character {column} of line {line}")


class _Parser:
    """By operator precedence."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._tokens = list(_tokens(text))
        self._next = 0
        self.functions: set[str] = set()
        self.variables: set[str] = set()

    def end(self) -> None:
        """Nothing may follow."""
        if self._peek().kind != "end":
            raise self._unexpected()

    def expression(self, power: int) -> Term:
        """What binds tighter than ``power``."""
        left = self._operand()
        while (own := _POWER.get(self._peek().text, 0)) > power and self._peek().kind in {"sign", "name"}:
            operator = self._take().text
            if operator in {"is", "as"}:
                left = Term(operator, self._type(), (left,))
            else:
                left = Term("operator", operator, (left, self.expression(own)))
        return left

    def _operand(self) -> Term:
        if self._peek().text in {"+", "-"}:
            sign = self._take().text
            return Term("sign", sign, (self.expression(_UNARY),))
        term = self._term()
        while self._peek().text in {".", "["} and self._peek().kind == "sign":
            if self._take().text == ".":
                term = self._invoked(term)
            else:
                term = Term("item", None, (term, self.expression(0)))
                self._expect("]")
        return term

    def _invoked(self, term: Term) -> Term:
        token = self._take()
        if token.kind == "special":
            return Term("special", token.text)
        name = self._name(token, after_dot=True)
        if self._accept("("):
            return Term("call", name, (term, *self._arguments(name)))
        return Term("member", name, (term,))

    def _term(self) -> Term:
        token = self._take()
        if token.kind in {"string", "number", "date", "time"}:
            return Term("literal", self._literal(token))
        if token.kind == "name" and token.text in {"true", "false"}:
            return Term("literal", token.text == "true")
        if token.kind == "special":
            return Term("special", token.text)
        if token.kind == "variable":
            return self._variable(token.text[1:])
        return self._bracketed(token) if token.text in {"(", "{"} else self._named(token)

    def _variable(self, text: str) -> Term:
        name = _unquoted(text) if text[0] in "`'" else text
        self.variables.add(name)
        return Term("variable", name)

    def _bracketed(self, token: _Token) -> Term:
        if token.text == "{":
            self._expect("}")
            return Term("empty")
        inner = self.expression(0)
        self._expect(")")
        return Term("group", None, (inner,))

    def _named(self, token: _Token) -> Term:
        name = self._name(token, after_dot=False)
        if self._accept("("):
            return Term("call", name, (Term("this"), *self._arguments(name)))
        return Term("start", name)

    def _arguments(self, name: str) -> list[Term]:
        self.functions.add(name)
        found: list[Term] = []
        if self._accept(")"):
            return found
        while True:
            found.append(self.expression(0))
            if self._accept(")"):
                return found
            self._expect(",")

    def _literal(self, token: _Token) -> Any:
        match token.kind:
            case "string":
                return _unquoted(token.text)
            case "date" | "time":
                return self._moment(token)
        number = Decimal(token.text) if "." in token.text else int(token.text)
        unit = self._peek()
        if unit.kind == "string":
            return Quantity(number, _unquoted(self._take().text))
        if unit.kind == "name" and unit.text in CALENDAR:
            return Quantity(number, CALENDAR[self._take().text], calendar=True)
        return number

    def _moment(self, token: _Token) -> Temporal:
        found = Temporal.read(token.text[1:], literal=True)
        if found is None:
            raise _unreadable(self._text, token.at)
        return found

    def _type(self) -> tuple[str, str]:
        first = self._name(self._take(), after_dot=True)
        if self._accept("."):
            return first, self._name(self._take(), after_dot=True)
        return "", first

    def _name(self, token: _Token, *, after_dot: bool) -> str:
        if token.kind == "quoted":
            return _unquoted(token.text)
        if token.kind == "name" and (after_dot or token.text not in _HARD):
            return token.text
        self._next -= 1
        raise self._unexpected()

    def _peek(self) -> _Token:
        return self._tokens[self._next]

    def _take(self) -> _Token:
        token = self._tokens[self._next]
        if token.kind == "end":
            raise self._unexpected()
        self._next += 1
        return token

    def _accept(self, sign: str) -> bool:
        token = self._peek()
        if token.kind == "sign" and token.text == sign:
            self._next += 1
            return True
        return False

    def _expect(self, sign: str) -> None:
        if not self._accept(sign):
            raise self._unexpected()

    def _unexpected(self) -> ValueError:
        return _unreadable(self._text, self._peek().at)


def _unquoted(text: str) -> str:
    return _ESCAPE.sub(
        lambda one: chr(int(one[1], 16)) if one[1] else _ESCAPED.get(one[2], one[2]), text[1:-1]
    )
