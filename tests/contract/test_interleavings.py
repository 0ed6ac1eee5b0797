"""Whatever is written, searched and read in whatever order: the service agrees with a naive model."""

import asyncio
import json
from datetime import UTC, datetime
from itertools import count
from urllib.parse import parse_qsl, urlsplit

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test
from naive import PREFIXES, Model

from service.errors import InvalidInput, PreconditionFailed
from service.fhir.json import parse
from service.interactions import history as histories
from service.interactions import read as reads
from service.interactions import search as searches
from service.interactions import transaction, write
from service.interactions.apply import without_version
from service.interactions.context import Context, allow_everything

EXAMPLES, STEPS = 40, 30
SYSTEM, LOINC = "urn:test:numbers", "http://loinc.org"
NUMBERS = st.sampled_from(["1", "2", "3"])
GENDERS = st.sampled_from(["male", "female"])
FAMILIES = st.sampled_from(["Ämber", "amberley", "Zoë", "Q'uill, B", "Berg"])
DAYS = st.sampled_from(["2026-01-30", "2026-01-31", "2026-02-01", "2026-02-02", "2026-03-01"])
CODES = st.sampled_from(["29463-7", "8302-2"])
STATUSES = st.sampled_from(["final", "amended"])
PLACES = st.integers(0, 5)
"""A resource is one of a few of its type, by place."""


@st.composite
def patients(draw):
    tree = {
        "resourceType": "Patient",
        "identifier": [{"system": SYSTEM, "value": draw(NUMBERS)}],
        "name": [{"family": draw(FAMILIES)}],
    }
    if draw(st.booleans()):
        tree["gender"] = draw(GENDERS)
    if draw(st.booleans()):
        tree["birthDate"] = draw(DAYS)
    return tree


@st.composite
def dates(draw):
    day = draw(DAYS)
    return draw(st.sampled_from(PREFIXES)) + (day[:7] if draw(st.booleans()) else day)


@st.composite
def observations(draw):
    """An Observation and the place of the patient it is about."""
    tree = {
        "resourceType": "Observation",
        "status": draw(STATUSES),
        "code": {"coding": [{"system": LOINC, "code": draw(CODES)}]},
    }
    day = draw(st.none() | DAYS | DAYS)
    return (tree if day is None else tree | {"effectiveDateTime": day}), draw(PLACES)


def several_searches(parameters):
    return st.lists(st.lists(parameters, min_size=1, max_size=2), min_size=1, max_size=5)


def several(values):
    return st.lists(values, min_size=1, max_size=2).map(",".join)


PATIENT_PARAMETERS = st.one_of(
    st.tuples(st.just("identifier"), several(NUMBERS | NUMBERS.map(lambda value: f"{SYSTEM}|{value}"))),
    st.tuples(st.just("gender"), several(GENDERS)),
    st.tuples(st.just("birthdate"), dates()),
    st.tuples(st.just("family"), st.sampled_from(["amb", "ÄMB", "zoe", "q", "berg", "nobody"])),
    st.tuples(st.just("family:exact"), st.sampled_from(["Ämber", "amber", "Zoë", "Berg"])),
    st.tuples(st.just("family:contains"), st.sampled_from(["ber", "oe", "E"])),
)
OBSERVATION_PARAMETERS = st.one_of(
    st.tuples(
        st.just("code"), several(CODES | CODES.map(lambda code: f"{LOINC}|{code}") | st.just(f"{LOINC}|"))
    ),
    st.tuples(st.just("status"), several(STATUSES)),
    st.tuples(st.just("date"), dates()),
    st.tuples(st.just("patient"), PLACES),
)


class Interleavings(RuleBasedStateMachine):
    """One run: the ids it uses are its own, and it leaves nothing that a search would find."""

    runs = count()
    store = None
    runner = None

    @initialize(
        people=st.lists(patients(), min_size=4, max_size=6),
        seen=st.lists(observations(), min_size=4, max_size=6),
    )
    def begin(self, people, seen):
        """Start with a few of each, so that searches find some and not others."""
        self.run_ = next(self.runs)
        self.model = Model()
        numbers = count()
        self.context = Context(
            "https://here.example/fhir",
            allow_everything,
            new_id=lambda: f"run{self.run_}-new{next(numbers)}",
            clock=lambda: datetime(2026, 2, 4, tzinfo=UTC),
        )
        for place, tree in enumerate(people):
            self._update(self._id(place), tree)
        for place, (tree, subject) in enumerate(seen):
            self._update(self._id(place), self._about(tree, subject))

    @rule(tree=patients())
    def create(self, tree):
        made = self._do(write.create(self.store, "Patient", _text(tree), context=self.context))
        assert self.model.write("Patient", made.version.id, tree) == made.outcome == "created"

    @rule(tree=patients())
    def create_if_none_exists(self, tree):
        number = tree["identifier"][0]["value"]
        matches = self.model.identified(number)
        work = write.create(
            self.store,
            "Patient",
            _text(tree),
            context=self.context,
            if_none_exist=f"identifier={SYSTEM}|{number}",
        )
        if len(matches) > 1:
            self._refused(PreconditionFailed, work)
            return
        made = self._do(work)
        if matches:
            assert (made.outcome, made.version.id) == ("unchanged", matches[0])
        else:
            assert self.model.write("Patient", made.version.id, tree) == made.outcome == "created"

    @rule(place=PLACES, tree=patients())
    def update(self, place, tree):
        self._update(self._id(place), tree)

    @rule(place=PLACES, seen=observations())
    def update_observation(self, place, seen):
        self._update(self._id(place), self._about(*seen))

    @rule(place=PLACES, tree=patients(), version=st.integers(0, 4))
    def update_if_match(self, place, tree, version):
        id_ = self._id(place)
        versions = self.model.versions.get(("Patient", id_), [None])
        if versions[-1] is not None and version == len(versions):
            self._update(id_, tree, if_match=f'W/"{version}"')
        else:
            body = _text({**tree, "id": id_})
            work = write.update(
                self.store, "Patient", id_, body, context=self.context, if_match=f'W/"{version}"'
            )
            self._refused(PreconditionFailed, work)

    @rule(tree=patients())
    def update_matching(self, tree):
        number = tree["identifier"][0]["value"]
        matches = self.model.identified(number)
        criteria = f"identifier={SYSTEM}|{number}"
        work = write.update_matching(self.store, "Patient", criteria, _text(tree), context=self.context)
        if len(matches) > 1:
            self._refused(PreconditionFailed, work)
            return
        done = self._do(work)
        assert not matches or done.version.id == matches[0]
        assert self.model.write("Patient", done.version.id, tree) == done.outcome

    @rule(type_=st.sampled_from(["Patient", "Observation"]), place=PLACES)
    def delete(self, type_, place):
        self._do(write.delete(self.store, type_, self._id(place), context=self.context))
        self.model.delete(type_, self._id(place))

    @rule(number=NUMBERS)
    def delete_matching(self, number):
        matches = self.model.identified(number)
        criteria = f"identifier={SYSTEM}|{number}"
        work = write.delete_matching(self.store, "Patient", criteria, context=self.context)
        if len(matches) > 1:
            self._refused(PreconditionFailed, work)
            return
        self._do(work)
        for id_ in matches:
            self.model.delete("Patient", id_)

    @rule(
        writes=st.dictionaries(PLACES, patients(), max_size=3),
        deletes=st.sets(PLACES, max_size=2),
        number=st.none() | NUMBERS,
        seen=observations(),
    )
    def transact(self, writes, deletes, number, seen):
        """Updates and deletions, and an Observation about whoever has a number once all that is done."""
        entries = [
            _entry("PUT", f"Patient/{self._id(place)}", {**tree, "id": self._id(place)})
            for place, tree in writes.items()
        ]
        entries += [_entry("DELETE", f"Patient/{self._id(place)}") for place in deletes]
        about = f"Patient?identifier={SYSTEM}|{number}"
        observation = seen[0] | {"subject": {"reference": about}}
        if number is not None:
            entries.insert(0, _entry("POST", "Observation", observation))
        after = self.model.copy()
        for place in deletes:
            after.delete("Patient", self._id(place))
        for place, tree in writes.items():
            after.write("Patient", self._id(place), tree)
        work = transaction.process(
            self.store,
            _text({"resourceType": "Bundle", "type": "transaction", "entry": entries}),
            context=self.context,
        )
        if self._written_twice(writes, deletes):
            self._refused(InvalidInput, work)
        elif number is not None and len(after.identified(number)) != 1:
            self._refused(PreconditionFailed, work)
        else:
            answer = parse(self._do(work))
            if number is not None:
                subject = {"reference": f"Patient/{after.identified(number)[0]}"}
                id_ = answer["entry"][0]["response"]["location"].split("/")[1]
                after.write("Observation", id_, observation | {"subject": subject})
            self.model = after

    @rule(searches=several_searches(PATIENT_PARAMETERS), size=st.sampled_from([2, 50]))
    def search_patients(self, searches, size):
        for asked in searches:
            self._search("Patient", asked, size, "birthdate", "birthDate")

    @rule(searches=several_searches(OBSERVATION_PARAMETERS), size=st.sampled_from([2, 50]))
    def search_observations(self, searches, size):
        for asked in searches:
            named = [(name, self._id(value) if name == "patient" else value) for name, value in asked]
            self._search("Observation", named, size, "date", "effectiveDateTime")

    @rule(type_=st.sampled_from(["Patient", "Observation"]), place=PLACES)
    def look_back(self, type_, place):
        if (type_, self._id(place)) in self.model.versions:
            self._assert_versions(type_, self._id(place))

    def teardown(self):
        """Everything that ever was is there, then all of it goes."""
        if self.store is None or not hasattr(self, "model"):
            return
        for type_, id_ in self.model.versions:
            self._assert_versions(type_, id_)
        for type_ in ("Patient", "Observation"):
            self._search(type_, [], 50, "_id", "id")
            for id_ in self.model.current(type_):
                self._do(write.delete(self.store, type_, id_, context=self.context))

    def _update(self, id_, tree, **more):
        type_ = tree["resourceType"]
        body = _text({**tree, "id": id_})
        done = self._do(write.update(self.store, type_, id_, body, context=self.context, **more))
        assert self.model.write(type_, id_, tree) == done.outcome
        assert done.version.version == len(self.model.versions[type_, id_])

    def _search(self, type_, asked, size, key, element):
        """Walk all pages in the order of ``key``: each match once, those without a value last."""
        params, trees = [*asked, ("_sort", key), ("_count", str(size))], []
        while params:
            page = parse(self._do(searches.search(self.store, type_, params, context=self.context)))
            trees += [entry["resource"] for entry in page.get("entry", ())]
            following = [link["url"] for link in page["link"] if link["relation"] == "next"]
            params = parse_qsl(urlsplit(following[0]).query) if following else []
        ids = [tree["id"] for tree in trees]
        assert sorted(ids) == sorted(self.model.search(type_, asked))
        assert page["total"] == len(ids)
        keys = [tree.get(element, "~") for tree in trees]
        assert keys == sorted(keys)

    def _assert_versions(self, type_, id_):
        versions = self.model.versions[type_, id_]
        history = parse(
            self._do(histories.history(self.store, (), type_=type_, id_=id_, context=self.context))
        )
        told = [entry.get("resource") for entry in reversed(history["entry"])]
        assert [tree and without_version(tree) for tree in told] == versions
        for number, tree in enumerate(versions, 1):
            if tree is not None:
                read = self._do(reads.vread(self.store, type_, id_, str(number), context=self.context))
                assert without_version(parse(read.content)) == tree

    def _written_twice(self, writes, deletes):
        """Whether an entry deletes what another one writes; deleting what never was is nothing."""
        return any(
            place in writes and ("Patient", self._id(place)) in self.model.versions for place in deletes
        )

    def _about(self, tree, place):
        return tree | {"subject": {"reference": f"Patient/{self._id(place)}"}}

    def _id(self, place):
        return f"run{self.run_}-{place}"

    def _do(self, work):
        return self.runner.run(work)

    def _refused(self, kind, work):
        with pytest.raises(kind):
            self._do(work)


@pytest.mark.conformance("B11", "B12", "B13", "B14", "C2", "C3", "C8", "D4", "D9", "D11", "D12", "D13", "D34")
def test_the_service_agrees_with_a_naive_model(store):
    with asyncio.Runner() as runner:
        machine = type("OnThisStore", (Interleavings,), {"store": store, "runner": runner})
        bounded = settings(
            max_examples=EXAMPLES,
            stateful_step_count=STEPS,
            deadline=None,
            phases=(Phase.reuse, Phase.generate),  # shrinking takes minutes; what failed is printed as it was
            suppress_health_check=list(HealthCheck),
        )
        run_state_machine_as_test(machine, settings=bounded)


def _entry(method, url, resource=None):
    node = {"request": {"method": method, "url": url}}
    return node if resource is None else node | {"resource": resource}


def _text(tree):
    return json.dumps(tree).encode()
