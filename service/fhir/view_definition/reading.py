"""A ViewDefinition (SQL on FHIR 2) read from JSON: every problem at once, each with its place."""

import re
from collections import Counter
from collections.abc import Iterator
from typing import Any, cast

from service.errors import InvalidInput, Issue, IssueType, Place
from service.fhir.elements import is_primitive, is_resource
from service.fhir.view_definition.definition import Column, Definition, Each, Select

__all__ = ["Problems", "read_definition"]

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,254}", re.ASCII)
_TYPE = "http://hl7.org/fhir/StructureDefinition/"
_EACH: tuple[Each, ...] = ("forEach", "forEachOrNull", "repeat")
_ANYWHERE = {"id", "extension"}
_SELECT = {*_ANYWHERE, "column", "select", "unionAll", *_EACH}
_COLUMN = {*_ANYWHERE, "name", "path", "type", "collection", "description", "tag"}
_MOST_COLUMNS = 500
_DEEPEST = 20


class Problems(list[Issue]):
    """What is wrong with a definition."""

    def add(self, place: str, message: str, code: IssueType = IssueType.VALUE) -> None:
        """Note a problem."""
        self.append(Issue(message, code=code, place=Place(expression=place)))

    def refuse(self) -> None:
        """Raise InvalidInput if there are any."""
        if self:
            raise InvalidInput(self)


def read_definition(tree: Any, problems: Problems) -> Definition:
    """Read what can be read; what is wrong is added to ``problems``, and then the answer is of no use."""
    if not isinstance(tree, dict):
        problems.add("ViewDefinition", "A ViewDefinition is a JSON object.", IssueType.STRUCTURE)
        tree = {}
    resource = _resource(tree, problems)
    constants = dict(_constants(tree, problems))
    where = tuple(_where(tree, problems))
    select = Select("ViewDefinition", selects=_selects(tree, "select", "ViewDefinition", problems, 0))
    if not select.selects:
        problems.add("ViewDefinition.select", "A view needs at least one select.", IssueType.REQUIRED)
    _once(select, problems)
    name = tree.get("name", "view")
    if not isinstance(name, str) or not _NAME.fullmatch(name):
        problems.add("ViewDefinition.name", _named("The view's name"))
    told = {key: str(tree.get(key, "")) for key in ("url", "version", "title", "description")}
    return Definition(str(name), resource, select, constants, where, **told)


def _resource(tree: dict[str, Any], problems: Problems) -> str:
    resource = tree.get("resource")
    if resource is None:
        problems.add("ViewDefinition.resource", "Say which resource the view is over.", IssueType.REQUIRED)
    elif not isinstance(resource, str) or not is_resource(resource):
        problems.add("ViewDefinition.resource", "This is no type of resource of FHIR R4.")
    return resource if isinstance(resource, str) and is_resource(resource) else ""


def _constants(tree: dict[str, Any], problems: Problems) -> Iterator[tuple[str, tuple[Any, str]]]:
    for place, one in _objects(tree, "constant", "ViewDefinition", problems):
        name = _name(one, place, problems)
        values = [key for key in one if key.startswith("value")]
        type_ = values[0].removeprefix("value") if values else ""
        type_ = type_[:1].lower() + type_[1:]
        if len(values) != 1 or not (is_primitive(type_) or type_ == "integer64"):
            problems.add(
                f"{place}.value", "A constant has one value, of a primitive type.", IssueType.REQUIRED
            )
        elif isinstance(one[values[0]], (dict, list)) or one[values[0]] is None:
            problems.add(f"{place}.value", "The value of a constant is text, a number or true or false.")
        else:
            yield name, (one[values[0]], type_)


def _where(tree: dict[str, Any], problems: Problems) -> Iterator[str]:
    for place, one in _objects(tree, "where", "ViewDefinition", problems):
        yield _text(one, "path", place, problems, needed=True)


def _selects(
    tree: dict[str, Any], name: str, place: str, problems: Problems, depth: int
) -> tuple[Select, ...]:
    if depth > _DEEPEST:
        problems.add(place, f"Selects are nested deeper than {_DEEPEST}.", IssueType.TOO_COSTLY)
        return ()
    return tuple(_select(one, where, problems, depth) for where, one in _objects(tree, name, place, problems))


def _select(tree: dict[str, Any], place: str, problems: Problems, depth: int) -> Select:
    _known(tree, _SELECT, place, problems)
    each, paths = _each(tree, place, problems)
    columns = tuple(_column(one, where, problems) for where, one in _objects(tree, "column", place, problems))
    selects = _selects(tree, "select", place, problems, depth + 1)
    union = _selects(tree, "unionAll", place, problems, depth + 1)
    if not (columns or selects or union):
        problems.add(place, "A select needs a column, a select or a unionAll.", IssueType.REQUIRED)
    for number, other in enumerate(union[1:], 1):
        if _shape(other) != _shape(union[0]):
            problems.add(
                f"{place}.unionAll[{number}]",
                "All parts of a unionAll need the same columns, of the same types, in the same order.",
            )
    return Select(place, columns, selects, union, each, paths)


def _shape(select: Select) -> list[tuple[str, str, bool]]:
    return [(column.name, column.type, column.collection) for column in select.all_columns()]


def _each(tree: dict[str, Any], place: str, problems: Problems) -> tuple[Each, tuple[str, ...]]:
    given = [name for name in _EACH if name in tree]
    if len(given) > 1:
        problems.add(place, f"A select has only one of {', '.join(_EACH)}.", IssueType.INVARIANT)
    if not given:
        return "", ()
    if given[0] != "repeat":
        return given[0], (_text(tree, given[0], place, problems, needed=True),)
    paths = tree["repeat"]
    if not isinstance(paths, list) or not paths or not all(isinstance(one, str) and one for one in paths):
        problems.add(f"{place}.repeat", "repeat is a list of FHIRPath expressions.", IssueType.STRUCTURE)
        return "repeat", ()
    return "repeat", tuple(paths)


def _column(tree: dict[str, Any], place: str, problems: Problems) -> Column:
    _known(tree, _COLUMN, place, problems)
    collection = tree.get("collection", False)
    if not isinstance(collection, bool):
        problems.add(f"{place}.collection", "collection is true or false.", IssueType.STRUCTURE)
    type_ = _text(tree, "type", place, problems).removeprefix(_TYPE) or "string"
    if not (is_primitive(type_) or type_ == "integer64"):
        problems.add(f"{place}.type", "A column holds a primitive type of FHIR R4.")
    return Column(
        _name(tree, place, problems),
        _text(tree, "path", place, problems, needed=True),
        type_,
        collection is True,
        _text(tree, "description", place, problems),
        dict(_tags(tree, place, problems)),
    )


def _tags(tree: dict[str, Any], place: str, problems: Problems) -> Iterator[tuple[str, str]]:
    for where, one in _objects(tree, "tag", place, problems):
        name = _text(one, "name", where, problems, needed=True)
        yield name, _text(one, "value", where, problems, needed=True)


def _once(select: Select, problems: Problems) -> None:
    """No column may be there twice, nor more columns than a table can have."""
    columns = select.all_columns()
    for name, number in Counter(column.name.lower() for column in columns).items():
        if name and number > 1:
            problems.add("ViewDefinition.select", f"The column '{name}' is there {number} times.")
    if len(columns) > _MOST_COLUMNS:
        problems.add("ViewDefinition.select", f"A view has at most {_MOST_COLUMNS} columns.")


def _objects(
    tree: dict[str, Any], name: str, place: str, problems: Problems
) -> Iterator[tuple[str, dict[str, Any]]]:
    found = tree.get(name, [])
    if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
        problems.add(f"{place}.{name}", f"{name} is a list of objects.", IssueType.STRUCTURE)
        return
    for number, one in enumerate(found):
        yield f"{place}.{name}[{number}]", cast("dict[str, Any]", one)


def _text(tree: dict[str, Any], name: str, place: str, problems: Problems, *, needed: bool = False) -> str:
    found = tree.get(name)
    if found is None and not needed:
        return ""
    if found is None:
        problems.add(f"{place}.{name}", f"{name} is needed here.", IssueType.REQUIRED)
    elif not isinstance(found, str) or not found:
        problems.add(f"{place}.{name}", f"{name} is text.", IssueType.STRUCTURE)
    return found if isinstance(found, str) else ""


def _name(tree: dict[str, Any], place: str, problems: Problems) -> str:
    name = _text(tree, "name", place, problems, needed=True)
    if name and not _NAME.fullmatch(name):
        problems.add(f"{place}.name", _named("A name"))
    return name


def _named(what: str) -> str:
    return f"{what} begins with a letter, followed by letters, digits and underscores."


def _known(tree: dict[str, Any], names: set[str], place: str, problems: Problems) -> None:
    for name in tree:
        if name.removeprefix("_") not in names:
            problems.add(place, f"There is no '{name[:60]}' here.", IssueType.STRUCTURE)
