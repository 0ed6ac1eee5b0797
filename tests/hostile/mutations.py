"""Resources spoilt at random, and how the validator bears them: no exception, bounded time."""

import copy
import json
import random
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from service.errors import InvalidInput, Issue
from service.fhir.elements import elements, resource_types
from service.fhir.json import Tree, dump, parse
from service.fhir.outcome import operation_outcome
from service.fhir.positions import JsonPositions, located
from service.fhir.search_keys import extract
from service.fhir.search_parameters import stored_types
from service.fhir.validation import check
from service.fhir.validation.kinds import misshapen
from service.fhir.validation.profiles import Definitions
from service.fhir.validation.questionnaire_response import check_answers
from service.fhir.validation.requested import check_requested

FOLDER = Path(__file__).parents[2] / ".cache" / "r4-examples" / "package"
MOST_BYTES = 60_000
MOST_MILLISECONDS = 60
"""For each kilobyte, and one kilobyte more: far above what it takes, also on a busy machine."""
JUNK: tuple[Any, ...] = (
    None,
    True,
    -1,
    0,
    1.5,
    10**40,
    "",
    " ",
    "x",
    "#",
    "#nothing",
    "2026-02-30",
    "Patient/",
    "http://hl7.org/fhir/StructureDefinition/",
    "urn:uuid:x",
    "a" * 3_000,
    "é\u0301\u200b\U0001f489",
    "<div xmlns='http://www.w3.org/1999/xhtml'>&amp;<b",
    "(" * 500,
    [],
    {},
    [[]],
    [None],
    [{}],
    {"extension": [{"url": "urn:x"}]},
    {"reference": "#"},
    {"resourceType": "Patient", "contained": [{"resourceType": "Patient", "id": "x"}]},
    {"": ""},
)


@dataclass
class Borne:
    """What was tried: how many resources, how many were found wrong, the slowest of them."""

    tried: int = 0
    wrong: int = 0
    issues: int = 0
    bytes: int = 0
    slowest: float = 0.0
    where: str = ""
    rules: set[str] = field(default_factory=set)

    def sentence(self) -> str:
        return (
            f"{self.tried:,} spoilt resources ({self.bytes / 1e6:.1f} MB) borne by the validator: "
            f"{self.wrong:,} found wrong by {self.issues:,} issues and {len(self.rules)} rules; "
            f"slowest {self.slowest:.1f} ms/kB"
        )


def spoil_for(seconds: float, seed: int, *, most: int = 10**9) -> Borne:
    """Spoil official examples at random and check them, for so long or so many.

    AssertionError holds the resource that was not borne.
    """
    chance = random.Random(seed)  # noqa: S311 - to be repeated, not to be unforeseeable
    files = [path for path in sorted(FOLDER.glob("*.json")) if path.stat().st_size <= MOST_BYTES]
    borne = Borne()
    end = time.monotonic() + seconds
    while time.monotonic() < end and borne.tried < most:
        path = chance.choice(files)
        state = chance.getstate()
        try:
            bear(spoilt(_example(path), chance), borne, path.name)
        except Exception as error:
            again = random.Random()  # noqa: S311 - as above
            again.setstate(state)
            text = json.dumps(spoilt(_example(path), again))[:5_000]
            raise AssertionError(f"{path.name} spoilt (seed {seed}) is not borne: {text}") from error
    return borne


def bear(tree: Any, borne: Borne, name: str = "") -> None:
    """Check one resource, however wrong, and all that is made of what is found."""
    text = json.dumps(tree).encode()
    borne.tried += 1
    borne.bytes += len(text)
    try:
        read = parse(text, max_depth=200)
    except InvalidInput:
        return  # a character that JSON can escape and FHIR does not allow
    issues, took = _timed(read)
    if took > borne.slowest:
        _, again = _timed(read)  # the first time a type is compiled
        took = min(took, again)
    borne.slowest, borne.where = max((borne.slowest, borne.where), (took / (1 + len(text) / 1_000), name))
    borne.wrong += bool(issues)
    borne.issues += len(issues)
    borne.rules.update(issue.rule for issue in issues if issue.rule)
    check_requested(read, (), _definitions())
    check_answers(read, read)
    if str(read.get("resourceType")) in stored_types() and not misshapen(read):
        with suppress(ValueError):  # a date that can't be searched
            extract(read)
    _told(text.decode(), issues)


def _timed(tree: Tree) -> tuple[tuple[Issue, ...], float]:
    """The issues, and how many milliseconds of the processor they took."""
    begin = time.thread_time()
    issues = check(tree)
    return issues, 1_000 * (time.thread_time() - begin)


def _told(text: str, issues: tuple[Issue, ...]) -> None:
    """Every issue has a sentence and a place in the text, none stands twice; the outcome is valid itself."""
    assert len(set(issues)) == len(issues)
    for issue in located(issues, JsonPositions(text)):
        assert issue.message
        assert issue.place.line is None or 1 <= issue.place.line <= text.count("\n") + 1
    outcome = parse(dump(operation_outcome(issues)))
    assert not [one for one in check(outcome) if one.severity in {"error", "fatal"}]


@lru_cache(maxsize=1)
def _definitions() -> Definitions:
    return Definitions()


@lru_cache(maxsize=2_000)
def _example(path: Path) -> Any:
    return json.loads(path.read_text("utf-8"))


def spoilt(tree: Any, chance: random.Random) -> Any:
    """A copy with one to four things changed at random places."""
    tree = copy.deepcopy(tree)
    for _ in range(chance.randint(1, 4)):
        places = list(_places(tree))
        if not places:
            break
        holder, step = chance.choice(places)
        chance.choice(_CHANGES)(holder, step, chance)
    return tree


def _places(node: Any) -> Iterator[tuple[Any, Any]]:
    steps = list(node) if isinstance(node, dict) else range(len(node)) if isinstance(node, list) else ()
    for step in steps:
        yield node, step
        yield from _places(node[step])


def _replace(holder: Any, step: Any, chance: random.Random) -> None:
    holder[step] = copy.deepcopy(chance.choice(JUNK))


def _remove(holder: Any, step: Any, _: random.Random) -> None:
    del holder[step]


def _wrap(holder: Any, step: Any, _: random.Random) -> None:
    holder[step] = [holder[step]]


def _unwrap(holder: Any, step: Any, _: random.Random) -> None:
    if isinstance(holder[step], list) and holder[step]:
        holder[step] = holder[step][0]


def _repeat(holder: Any, step: Any, chance: random.Random) -> None:
    if isinstance(holder[step], list):
        holder[step] = [copy.deepcopy(one) for one in holder[step] * chance.choice((2, 30))]


def _rename(holder: Any, step: Any, chance: random.Random) -> None:
    if isinstance(holder, dict):
        holder[chance.choice(_names())] = holder.pop(step)


def _add(holder: Any, step: Any, chance: random.Random) -> None:
    node = holder[step]
    if isinstance(node, dict):
        node[chance.choice(_names())] = copy.deepcopy(chance.choice((*JUNK, holder[step])))


def _nest(holder: Any, step: Any, chance: random.Random) -> None:
    """A part within itself, some levels deep."""
    if isinstance(holder, dict):
        for _ in range(chance.randint(1, 12)):
            holder[step] = {str(step): holder[step]}


def _turn(holder: Any, step: Any, chance: random.Random) -> None:
    """A text with one character changed."""
    text = holder[step]
    if isinstance(text, str) and text:
        place = chance.randrange(len(text))
        holder[step] = text[:place] + chance.choice("\x7f <&/#|:.-Z9é\u2028") + text[place + 1 :]


def _beside(holder: Any, step: Any, chance: random.Random) -> None:
    """The member for a primitive's extensions, right or wrong."""
    if isinstance(holder, dict):
        holder[f"_{step}"] = copy.deepcopy(
            chance.choice((*JUNK, {"extension": [{"url": "urn:x", "valueString": "x"}]}))
        )


_CHANGES = (_replace, _replace, _remove, _wrap, _unwrap, _repeat, _rename, _add, _nest, _turn, _beside)


@lru_cache(maxsize=1)
def _names() -> tuple[str, ...]:
    """Names of elements of every kind, with and without a line before them."""
    types = (*resource_types(), "Extension", "Quantity", "Period", "Reference", "Coding", "Element")
    found = dict.fromkeys(name for type_ in types for name in elements(type_))
    return (*found, *(f"_{name}" for name in found), "fhir_comments", "resourceType", "$this")
