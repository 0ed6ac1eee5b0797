"""Each official example is found by each of its search parameters, by values read from the example itself."""

import asyncio
from datetime import datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from r4_examples import example_files

from service.fhir.json import parse
from service.fhir.references import local_target
from service.fhir.search_clauses import parse_clauses
from service.fhir.search_expressions import found, routes
from service.fhir.search_keys import extract
from service.fhir.search_parameters import parameters, stored_types
from service.fhir.search_reading import Reader
from service.fhir.search_values import fold
from service.store.contract import Query
from service.store.sqlite import SqliteStore

SOURCE = "hl7.fhir.r4.examples 4.0.1"
UTC = ZoneInfo("UTC")
READER = Reader(UTC, now=0)


def escaped(text):
    for mark in "\\,|$":
        text = text.replace(mark, "\\" + mark)
    return text


def coded(system, code):
    return f"{escaped(system)}|{escaped(code)}" if system or code else None


def token(value):
    if isinstance(value, dict) and "coding" in value:
        return token(value["coding"][0])
    if isinstance(value, dict):
        return coded(value.get("system", ""), value.get("code", value.get("value", "")))
    return escaped(str(value).lower() if isinstance(value, bool) else value)


def reference(value):
    if isinstance(value, str):
        return value
    text = value.get("reference", "")
    return text if text and not text.startswith(("#", "urn:")) else None


def date(value):
    if isinstance(value, str):
        return value
    if "start" in value or "end" in value:
        return f"ge{value['start']}" if "start" in value else f"le{value['end']}"
    return f"ge{value['event'][0]}" if value.get("event") else None


def string(value):
    if isinstance(value, str):
        return escaped(value) if fold(value) else None
    text = next((one for name in ("text", "family", "city", "country") if (one := value.get(name))), None)
    return escaped(text) if text else None


def quantity(value):
    if "data" in value:
        return None  # of samples, lowest and highest are searched
    if "low" in value or "high" in value:
        end = value.get("low", value.get("high"))
        return f"{'ge' if 'low' in value else 'le'}{end['value']}"
    if "value" not in value:
        return None
    sign = {"<": "lt", "<=": "le", ">": "gt", ">=": "ge"}.get(value.get("comparator"), "")
    unit = f"|{value['system']}|{escaped(value['code'])}" if "code" in value and "system" in value else ""
    return f"{sign}{value['value']}{unit}"


def plain(value):
    return escaped(value) if isinstance(value, str) else str(value)


VALUES = {
    "token": token,
    "reference": reference,
    "date": date,
    "string": string,
    "quantity": quantity,
    "number": plain,
    "uri": plain,
    "id": plain,
    "updated": date,
}


def asked(tree, parameter):
    """A value of the parameter that the example should be found by, None if it has none to compare with."""
    type_ = tree["resourceType"]
    for way in routes(type_, parameter.expression):
        for value in found(tree, way):
            if way.truth:
                return "false" if value is False else "true"
            if parameter.kind == "composite":
                parts = [part_asked(type_, value, way, parameters(type_)[name]) for name in parameter.parts]
                text = None if None in parts else "$".join(parts)
            elif parameter.kind == "date" and way.type in {"Age", "Range", "string"}:
                text = None
            elif way.type == "ContactPoint":
                text = escaped(value["value"]) if "value" in value else None
            elif parameter.kind == "reference" and not fits(value, parameter):
                text = None
            else:
                text = VALUES[parameter.kind](value)
            if text is not None:
                return text
    return None


def fits(value, parameter):
    """Whether a reference names a type that the parameter may lead to; some examples do not."""
    target = local_target(reference(value) or "")
    return not target or target.partition("/")[0] in parameter.targets


def part_asked(type_, value, way, parameter):
    """The same for a part of a composite, inside its element."""
    for inner in routes(type_, parameter.expression):
        if inner.steps[:-1] == way.steps:
            for one in found(value, type(inner)(inner.steps[-1:], inner.type, inner.path)):
                return VALUES[parameter.kind](one)
    return None


@pytest.fixture
def sqlite_store(tmp_path):
    store = SqliteStore(tmp_path / "store.sqlite", clock=lambda: datetime(2026, 2, 4, tzinfo=UTC))
    yield store
    asyncio.run(store.close())


@pytest.fixture
def filled(sqlite_store):
    """A store with every example of a type, and their trees."""

    def fill(type_):
        trees = [parse(file.read_bytes(), max_depth=200) for file in example_files(type_)]

        async def work(txn):
            for tree in trees:
                await txn.put(type_, tree["id"], b"{}", extract(tree, zone=UTC))

        asyncio.run(sqlite_store.write("fill", work))
        return trees

    return fill


@pytest.mark.published(SOURCE)
@pytest.mark.conformance("D31")
@pytest.mark.parametrize("type_", stored_types())
def test_each_example_is_found_by_each_of_its_parameters(filled, sqlite_store, type_, tell):
    async def every():
        done = 0
        for tree in trees:
            for name, parameter in parameters(type_).items():
                text = asked(tree, parameter)
                if text is None or parameter.kind == "updated":
                    continue
                params = [(name, text), ("_id", tree["id"])]
                page = await sqlite_store.search(
                    Query(type_, parse_clauses(type_, params, reader=READER).clauses, count=1, total="none")
                )
                assert page.versions, (tree["id"], name, text)
                done += 1
        return done

    trees = filled(type_)
    done = asyncio.run(every())
    assert done >= len(trees)
    tell(f"{type_}: {len(trees)} examples found by {done} parameters of theirs")


def test_numbers_are_asked_for_as_they_are_written():
    assert quantity({"value": Decimal("5.40"), "comparator": "<"}) == "lt5.40"
