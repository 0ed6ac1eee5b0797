"""A panel of invented people who differ, counted by the report and by their own answers one by one."""

import asyncio
import copy
from dataclasses import replace

import pytest

from tests.bench.people import bench
from tests.soak.one_by_one import expected, reported
from tests.soak.panel import differing, people_of, report_of
from tests.soak.people import fill_people


@pytest.fixture(scope="module")
def panel(tmp_path_factory):
    """The report about three dozen people, and what their own answers tell."""

    async def both():
        async with bench(tmp_path_factory.mktemp("panel")) as place:
            await fill_people(place, 36)
            return await report_of(place), [one async for one in people_of(place)]

    return asyncio.run(both())


def test_the_report_tells_what_the_answers_one_by_one_tell(panel):
    report, people = panel
    assert differing(reported(report), expected(people)) == []


def test_the_people_differ(panel):
    _, people = panel
    assert {one.status for one in people} == {
        *("achieved", "sustaining", "not-achieved", "no-progress", "worsening", "not-measured")
    }
    assert {one.ending for one in people} >= {"attained", "censored", "died"}
    assert len({one.days for one in people}) > 10


def test_every_wrong_number_of_the_report_is_found(panel):
    report, people = panel
    found = expected(people)
    places = [place for place, value in leaves(report["group"]) if isinstance(value, (int, float))]
    assert len(places) > 50
    for place in places:
        wrong = copy.deepcopy(report)
        at(wrong["group"], place[:-1])[place[-1]] += 1
        assert differing(reported(wrong), found), place


def test_a_person_left_out_counted_twice_or_told_otherwise_is_found(panel):
    report, people = panel
    one, *others = people
    for wrong in (others, [*people, one], [replace(one, status="regressed"), *others]):
        assert differing(reported(report), expected(wrong))


def leaves(tree, place=()):
    """Everything that is neither object nor list, with its place."""
    if not isinstance(tree, (dict, list)):
        yield place, tree
        return
    for key, value in tree.items() if isinstance(tree, dict) else enumerate(tree):
        yield from leaves(value, (*place, key))


def at(tree, place):
    for key in place:
        tree = tree[key]
    return tree
