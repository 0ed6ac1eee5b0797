"""Resources in which everything that can hold an identifier holds a planted one.

Every element of a type, as `fhir.resources` lists them, is filled: each choice of a choice element in turn,
contained resources, extensions and primitive extensions included. What a policy keeps gets a genuine value
(a known code, a unit, a small number), so that the resource is let out and the planted parts beside it show
whether they are; `hostile` puts something planted into one kept element instead.
"""

import base64
import re
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import date, timedelta
from decimal import Decimal
from functools import cache
from typing import Any

from fhir.resources.R4B import get_fhir_model_class

Tree = dict[str, Any]

VOCABULARY = {
    "http://loinc.org": {"8867-4": "Heart rate"},
    "http://snomed.info/sct": {"40739000": "Dysphagia"},
}
RELEASED = date(2026, 9, 20)

DATE_WITHIN = re.compile(r"\d{4}-\d\d|\d\d:\d\d")

_CHOICES = [
    re.compile(f"{stem}[A-Z]")
    for stem in ("value", "effective", "deceased", "onset", "abatement", "performed", "occurrence", "detail")
]
_DEPTH = 4
_COMPLEX = re.compile(r"abc\.(\w+)Type")
_WORDS = re.compile(r"zq\d{6}x|\d{4}-\d\d-\d\d|2\d{9}|I69\.\d{4}|0213\d-\d{4}")
_PRIMITIVE = re.compile(r"(\w+)\((?!.*Encoder'>\))")


class Corpus:
    """Makes planted resources of the types a policy lists, and remembers what it planted."""

    def __init__(self, policy: Mapping[str, Any]) -> None:
        self.tokens: list[str] = []
        self.kinds: Counter[str] = Counter()
        self._kind_of: dict[str, str] = {}
        self._policy = policy
        self._choices: Counter[tuple[str, str]] = Counter()
        self._ids = {type_: self._token("id") for type_ in policy["resources"]}

    def forbidden(self, allowed: Collection[str] = ()) -> list[str]:
        """What was planted, but for the kinds that a policy lets out."""
        return [token for token in self.tokens if self._kind_of[token] not in allowed]

    def of_kind(self, kind: str) -> list[str]:
        """What was planted of one kind."""
        return [token for token in self.tokens if self._kind_of[token] == kind]

    def resources(self, variants: int = 12) -> list[Tree]:
        """The Patient, then `variants` resources of every other listed type."""
        types = [type_ for type_ in self._policy["resources"] if type_ != "Patient"]
        return [self.resource("Patient")] + [
            self.resource(type_, first=number == 0) for type_ in types for number in range(variants)
        ]

    def resource(self, type_: str, *, first: bool = True) -> Tree:
        elements = self._policy["resources"][type_]["elements"]
        made = self._fields(type_, "", elements, 0)
        return {
            "resourceType": type_,
            **made,
            "id": self._ids[type_] if first else self._token("id"),
            "meta": {"source": self._uri(), "lastUpdated": self._date(), "tag": [self._coding()]},
            "text": {"status": "generated", "div": f"<div>{self._token('narrative')}</div>"},
            "contained": [{"resourceType": "Practitioner", "name": [{"text": self._token("contained")}]}],
        }

    def hostile(self, resource: Tree, path: str) -> Iterator[tuple[Tree, list[str]]]:
        """Copies of a resource with something planted where `path` is kept, each with what was planted."""
        long_number = 2_000_000_000 + len(self.tokens)
        text = self._token("hostile")
        planted = [
            text,
            {"text": text},
            [text],
            {"coding": [{"system": text, "code": text, "display": text}]},
        ]
        yield from ((_with(resource, path, value), [text]) for value in planted)
        yield _with(resource, path, long_number), [str(long_number)]

    def _fields(self, type_: str, path: str, elements: Mapping[str, Any], depth: int) -> Tree:
        made: Tree = {}
        chosen: set[str] = set()
        fields = get_fhir_model_class(type_).model_fields
        groups = Counter(_group(field) for field in fields.values() if _group(field))
        place: Counter[str] = Counter()
        for field in fields.values():
            name, kind = field.alias or "", str(field.annotation)
            group = _group(field)
            if group:
                place[group] += 1
                if (place[group] - 1) != self._choices[type_, group] % groups[group]:
                    continue
                chosen.add(group)
            if name in ("fhir_comments", "modifierExtension", "implicitRules", "contained", "resourceType"):
                continue
            if name == "extension" and depth >= _DEPTH:
                continue
            if name == "extension":
                made[name] = self._extensions(listed=below(path, name) in elements)
            elif not name.startswith("_"):
                value = self._value(kind, field, below(path, name), elements, depth)
                if value is not None:
                    made[name] = [value] if "List[" in kind else value
                    if not isinstance(value, dict):
                        made[f"_{name}"] = {
                            "extension": [{"url": self._uri(), "valueString": self._token("_")}]
                        }
        self._choices.update((type_, group) for group in chosen)
        return made

    def _value(self, kind: str, field: Any, path: str, elements: Mapping[str, Any], depth: int) -> Any:
        rule = elements.get(path)
        found = _COMPLEX.search(kind)
        if found:
            return self._complex(found[1], field, path, elements, depth)
        if isinstance(rule, list):
            return rule[0]
        if rule == "number":
            return 7
        if rule in ("date", "birth date"):
            return self._date("kept date")
        return self._primitive(kind)

    def _complex(self, type_: str, field: Any, path: str, elements: Mapping[str, Any], depth: int) -> Any:
        makers = {
            "CodeableConcept": self._concept,
            "Coding": self._coding,
            "Quantity": self._quantity,
            "Duration": self._quantity,
            "Address": self._address,
        }
        if type_ == "Reference":
            return self._reference((field.json_schema_extra or {}).get("enum_reference_types", []))
        if type_ in makers:
            return makers[type_]()
        if depth >= _DEPTH or type_ in ("Resource", "Extension", "Meta", "Narrative"):
            return None
        return self._fields(type_, path, elements, depth + 1)

    def _primitive(self, kind: str) -> Any:
        if "bool" in kind:
            return True
        if "Base64" in kind:
            return self._remember("base64", base64.b64encode(self._token("attachment").encode()).decode())
        name = (_PRIMITIVE.findall(kind) or ["String"])[-1]
        makers = {
            **dict.fromkeys(("Date", "DateTime", "Instant"), self._date),
            **dict.fromkeys(("Integer", "PositiveInt", "UnsignedInt"), self._number),
            **dict.fromkeys(("Uri", "Url", "Canonical", "Oid", "Uuid"), self._uri),
            "Decimal": lambda: Decimal(self._number()) + Decimal("0.5"),
        }
        return makers[name]() if name in makers else self._token(name)

    def _remember(self, kind: str, token: str) -> str:
        self.tokens.append(token)
        self.kinds[kind] += 1
        self._kind_of[token] = kind
        return token

    def _token(self, kind: str) -> str:
        return self._remember(kind, f"zq{len(self.tokens):06d}x")

    def _uri(self) -> str:
        return f"http://{self._token('uri')}.example.org/"

    def _date(self, kind: str = "date") -> str:
        """Another day each time; moved by an odd number of days it is none of the others."""
        return self._remember(kind, (date(1940, 1, 1) + timedelta(days=2 * len(self.tokens))).isoformat())

    def _number(self) -> int:
        return int(self._remember("number", str(2_000_000_000 + len(self.tokens))))

    def _coding(self) -> Tree:
        extra = {"version": self._token("version"), "display": self._token("display"), "userSelected": True}
        return {"system": "http://snomed.info/sct", "code": "40739000", **extra, "id": self._token("id")}

    def _concept(self) -> Tree:
        full = self._remember("full classification code", f"I69.{len(self.tokens) % 10_000:04d}")
        return {
            "coding": [
                self._coding(),
                {
                    "system": "http://hl7.org/fhir/sid/icd-10-cm",
                    "code": full,
                    "display": self._token("display"),
                },
                {"system": self._uri(), "code": self._token("code"), "display": self._token("display")},
                {
                    "system": "http://loinc.org",
                    "code": self._token("code"),
                    "display": self._token("display"),
                },
            ],
            "text": self._token("text"),
            "extension": [{"url": self._uri(), "valueString": self._token("extension")}],
        }

    def _quantity(self) -> Tree:
        unit = self._token("unit")
        return {"value": Decimal("12.50"), "unit": unit, "system": "http://unitsofmeasure.org", "code": "mL"}

    def _address(self) -> Tree:
        rest = {name: self._token(f"address {name}") for name in ("text", "city", "district")}
        zip5 = f"0213{len(self.tokens) % 10}-{len(self.tokens) % 10_000:04d}"
        return {
            "line": [self._token("address line")],
            **rest,
            "state": "MA",
            "postalCode": self._remember("postal code", zip5),
            "country": "US",
            "period": {"start": self._date(), "end": self._date()},
        }

    def _reference(self, types: Collection[str]) -> Tree:
        anything = "Resource" in types or "Any" in types
        type_ = "Patient" if anything else next((name for name in types if name in self._ids), None)
        target = f"{type_}/{self._ids[type_]}" if type_ else f"Practitioner/{self._token('id')}"
        return {
            "reference": target,
            "display": self._token("reference display"),
            "identifier": {
                "system": self._uri(),
                "value": self._token("identifier"),
                "type": self._concept(),
            },
        }

    def _extensions(self, *, listed: bool) -> list[Tree]:
        unknown = self._fields("Extension", "?", {}, _DEPTH)
        made = [{**unknown, "url": self._uri()}]
        if not listed:
            return made
        for url, spec in self._policy["extensions"].items():
            made.append({"url": url, "valueString": self._token("value of a listed extension")})
            if "extension" in spec:
                inner = [{"url": name, **self._listed(rule)} for name, rule in spec["extension"].items()]
                told = {"url": "statement", "valueString": self._token("statement")}
                made.append({"url": url, "extension": [*inner, told]})
            else:
                made.append({"url": url, **self._listed(spec)})
        return made

    def _listed(self, spec: Mapping[str, Any]) -> Tree:
        """The value of a listed extension: something that is kept, with something planted beside it."""
        [(name, rule)] = spec.items()
        genuine = {
            "number": lambda: 3,
            "boolean": lambda: True,
            "masked text": lambda: self._token("hidden text"),
            "date": lambda: self._date("kept date"),
            "quantity": self._quantity,
            "concept": self._concept,
            "reference": lambda: self._reference(["Goal"]),
        }
        value = rule[0] if isinstance(rule, list) else genuine[rule]()
        return {name: value, f"_{name}": {"id": self._token("_")}}


def leaves(node: Any) -> Iterator[str]:
    """Every value in a tree as text."""
    if isinstance(node, Mapping):
        for value in node.values():
            yield from leaves(value)
    elif isinstance(node, list):
        for value in node:
            yield from leaves(value)
    else:
        yield str(node)


def found_in(tokens: Iterable[str], out: Iterable[Mapping[str, Any]]) -> list[str]:
    """The planted texts that stand anywhere in what was let out."""
    text = "\n".join(leaf for resource in out for leaf in leaves(resource))
    words = set(_WORDS.findall(text))
    return [token for token in tokens if token in words or (_is_odd(token) and token in text)]


@cache
def _is_odd(token: str) -> bool:
    """Whether a planted text is none of those that can be told by their form."""
    return not _WORDS.fullmatch(token)


def below(path: str, name: str) -> str:
    return f"{path}.{name}" if path else name


def _group(field: Any) -> str:
    extra = field.json_schema_extra
    return extra.get("one_of_many", "") if isinstance(extra, dict) else ""


def _with(node: Tree, path: str, value: Any) -> Tree:
    """A copy with `value` at a path; a list on the way is replaced by its first item."""
    name, _, rest = path.partition(".")
    made = {other: kept for other, kept in node.items() if rest or not _same_choice(other, name)}
    if rest:
        below = made.get(name, {})
        inner = below[0] if isinstance(below, list) else below
        changed = _with(inner, rest, value)
        made[name] = [changed] if isinstance(below, list) else changed
    else:
        made[name] = [value] if isinstance(made.get(name), list) and not isinstance(value, list) else value
    return made


def _same_choice(name: str, leaf: str) -> bool:
    return name != leaf and any(one.match(name) and one.match(leaf) for one in _CHOICES)
