"""What a person decides about computed results: new versions with Provenance, guarded, and undone alike."""

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from databases import AnyLoop
from deciding import ISSUER, Desk, person
from demo_store import CONTEXT, NOW, Demo, records_in_order, taken_in

from service.attainment.status import ENGINE_VERSION
from service.errors import Conflict, Forbidden, PreconditionFailed, RuleViolation
from service.fhir.json import dump, parse
from service.fhir.validation import check as check_resource
from service.fhir.validation.requested import claim_issues
from service.interactions.write import update
from service.operations.decision import Decided
from service.records.sameness import same_content
from service.records.stored import code_of, component, value_code

DAY = date(2026, 3, 24)
ACHIEVEMENT = "http://terminology.hl7.org/CodeSystem/goal-achievement"
STATE = ("lifecycleStatus", "achievementStatus", "statusDate", "statusReason")


@pytest.fixture
def demo(tmp_path):
    copy = Demo.of(tmp_path, "demo-01")
    yield copy
    copy.run(copy.store.close())


@pytest.fixture
def desk(demo):
    return Desk(demo)


def stored(demo, *, deleted=False):
    """Every current resource by its reference."""

    async def work():
        return {
            f"{one.type}/{one.id}": parse(one.content)
            async for one in demo.store.changes()
            if deleted or not one.deleted
        }

    return demo.run(work())


def read(demo, name):
    type_, id_, *version = name.replace("/_history", "").split("/")
    found = demo.store.vread(type_, id_, int(version[0])) if version else demo.store.read(type_, id_)
    return parse(demo.run(found).content)


def named(demo, type_, value):
    """The id of the part of a record at this identifier value."""
    return next(
        one["id"]
        for one in stored(demo).values()
        if one["resourceType"] == type_ and any(i["value"] == value for i in one.get("identifier", []))
    )


def goal_id(demo, key="closure"):
    return named(demo, "Goal", f"demo-01-visit-1/goals/{key}")


def keys(demo):
    return {
        i["value"].rsplit("/", 1)[1]
        for one in stored(demo).values()
        if one["resourceType"] == "Goal"
        for i in one["identifier"]
    }


def status(goal):
    return code_of(goal.get("achievementStatus"), ACHIEVEMENT)


def state(resource):
    return {name: resource[name] for name in STATE if name in resource}


def answered(demo, goal, day):
    """What is computed for a goal, beside what was stated."""
    return next(
        one
        for one in demo.answer("demo-01", day).all("goal")
        if one.get("goal")["reference"] == f"Goal/{goal}"
    )


def valid(resource):
    return [
        issue.message
        for issue in (*check_resource(resource), *claim_issues(resource, CONTEXT.definitions))
        if issue.severity == "error"
    ]


def test_the_demo_has_the_goal_that_the_tests_are_about(demo):
    assert "closure" in keys(demo)


def test_accepting_makes_the_computed_status_the_stated_one(demo, desk):
    goal = goal_id(demo)
    before = read(demo, f"Goal/{goal}")
    done = desk.accept(goal, date(2026, 2, 24), computed="improving", reason="Seen and agreed.")
    after = read(demo, f"Goal/{goal}")
    assert (status(before), status(after)) == ("achieved", "improving")
    assert (after["statusDate"], after["statusReason"]) == ("2026-12-01", "Seen and agreed.")
    statement = read(demo, done.changed[1])
    assert code_of(statement["code"]) == "goal-stated-status"
    assert value_code(component(statement, "achievement-status"), ACHIEVEMENT) == "improving"
    assert value_code(component(statement, "goal-status-computed"), ACHIEVEMENT) == "improving"
    assert component(statement, "computed-as-of")["valueDateTime"] == "2026-02-24"
    assert component(statement, "status-rule")["valueInteger"] == 6


@pytest.mark.conformance("L5")
def test_the_provenance_says_who_when_why_and_what_it_answers(demo, desk):
    goal = goal_id(demo)
    done = desk.accept(goal, DAY, reason="Agreed.")
    told = read(demo, done.provenance)
    assert valid(told) == []
    assert [one["reference"] for one in told["target"]] == list(done.changed)
    assert told["agent"][0]["who"]["identifier"] == {"system": ISSUER, "value": "clinician-1"}
    assert told["recorded"] == told["occurredDateTime"] == "2026-12-01T09:00:00+00:00"
    assert told["reason"] == [{"text": "Agreed."}]
    assert told["activity"]["coding"][-1]["code"] == "accept-computed-status"
    assert told["meta"]["security"][0]["code"] == "HTEST"
    revision, source = told["entity"]
    assert (revision["role"], revision["what"]["reference"]) == (
        "revision",
        f"Goal/{goal}/_history/{_before(done)}",
    )
    assert source["what"]["identifier"]["value"] == ENGINE_VERSION
    assert "achieved as of 2026-03-24 (rule 3)" in source["what"]["display"]


def _before(done):
    return int(done.changed[0].rsplit("/", 1)[1]) - 1


def test_a_person_on_file_is_named_by_reference(demo):
    practitioner = next(name for name in stored(demo) if name.startswith("Practitioner/"))
    goal = goal_id(demo)
    done = Desk(demo, person(fhir_user=practitioner)).accept(goal, DAY)
    assert read(demo, done.provenance)["agent"][0]["who"]["reference"] == practitioner
    assert read(demo, done.changed[1])["performer"][0]["reference"] == practitioner
    unknown = Desk(demo, person(fhir_user="Practitioner/nobody-here")).accept(goal, DAY)
    assert "reference" not in read(demo, unknown.provenance)["agent"][0]["who"]


def test_what_is_accepted_must_be_what_is_computed(demo, desk):
    goal = goal_id(demo)
    with pytest.raises(Conflict, match="'achieved' by now, not 'improving'"):
        desk.accept(goal, DAY, computed="improving")
    with pytest.raises(RuleViolation, match="No status is computed"):
        desk.accept(goal, date(2026, 1, 1))
    assert len(desk.made(f"Goal/{goal}")) == 0


def test_overriding_needs_a_reason_and_known_codes_and_says_everything_at_once(demo, desk):
    goal = goal_id(demo)
    with pytest.raises(RuleViolation) as caught:
        desk.override(goal, DAY, reason="  ", achievement="great", lifecycle="entered-in-error")
    assert [issue.place.expression for issue in caught.value.issues] == [
        "http.reason",
        "http.achievement",
        "http.lifecycle",
    ]
    with pytest.raises(RuleViolation, match="Give an achievement status, a lifecycle status, or both"):
        desk.override(goal, DAY, reason="Because.")


def test_overriding_states_what_the_person_says_whatever_is_computed(demo, desk):
    goal = goal_id(demo)
    done = desk.override(goal, DAY, reason="Moved away.", achievement="not-attainable", lifecycle="cancelled")
    after = read(demo, f"Goal/{goal}")
    assert (after["lifecycleStatus"], status(after)) == ("cancelled", "not-attainable")
    assert after["statusReason"] == "Moved away."
    statement = read(demo, done.changed[1])
    assert value_code(component(statement, "goal-status-computed"), ACHIEVEMENT) == "achieved"
    shown = answered(demo, goal, "2026-12-02")
    assert shown.get("computedStatus") == "achieved"
    assert (shown.get("statedStatus"), shown.get("statedDate")) == ("not-attainable", "2026-12-01")


def test_a_goal_without_baseline_does_not_become_active(demo, desk):
    goal = goal_id(demo)
    text = read(demo, f"Goal/{goal}")
    text["extension"] = [one for one in text["extension"] if not one["url"].endswith("/goal-baseline")]
    put(demo, text)
    with pytest.raises(RuleViolation, match="Record a baseline"):
        desk.override(goal, DAY, reason="Again.", lifecycle="active")


def put(demo, tree, *, warn_only=False):
    name = tree["resourceType"], tree["id"]
    context = replace(demo.context, warn_only=warn_only)
    return demo.run(update(demo.store, *name, dump(tree), context=context))


def test_two_who_looked_at_the_same_version_do_not_go_over_each_other(demo, desk):
    goal = goal_id(demo)
    seen = demo.run(demo.store.read("Goal", goal)).etag
    desk.accept(goal, DAY, if_match=seen)
    with pytest.raises(PreconditionFailed):
        Desk(demo, person("clinician-2")).override(
            goal, DAY, if_match=seen, reason="No.", achievement="no-change"
        )
    assert len(desk.made(f"Goal/{goal}")) == 1


def trial_id(demo, path="demo-01-visit-6/pre/1"):
    return named(demo, "Observation", path)


def acts(demo):
    """Each act, on what it is about."""
    goal, visit, trial = goal_id(demo), named(demo, "Encounter", "demo-01-visit-6"), trial_id(demo)
    return {
        "accept": (f"Goal/{goal}", lambda desk: desk.accept(goal, date(2026, 2, 24), reason="Agreed.")),
        "override": (
            f"Goal/{goal}",
            lambda desk: desk.override(
                goal, DAY, reason="Moved.", lifecycle="on-hold", achievement="no-change"
            ),
        ),
        "exclude": (f"Encounter/{visit}", lambda desk: desk.exclude(visit, reason="A cold.", code="unwell")),
        "mark": (f"Observation/{trial}", lambda desk: desk.mark(trial, code="view-lost", reason="Fogged.")),
    }


@pytest.mark.parametrize("act", ["accept", "override", "exclude", "mark"])
def test_every_act_is_valid_undone_and_done_again(demo, desk, act):
    name, do = acts(demo)[act]
    first = read(demo, name)
    done = do(desk)
    decided = read(demo, name)
    back = desk.undo(done, reason="A slip.")
    assert same_content(read(demo, name), first)
    assert read(demo, name)["text"] == first["text"]
    again = desk.undo(back)
    assert same_content(read(demo, name), decided)
    written = {*done.changed, *back.changed, *again.changed}
    provenances = [one.provenance for one in (done, back, again)]
    assert len(provenances) == len(set(provenances))
    for one in (*written, *provenances):
        assert valid(read(demo, one)) == [], one
    last, middle, eldest = desk.made(name)
    assert (eldest.undone_by, middle.undone_by, last.undone_by) == ("", again.provenance, "")
    assert (last.undoes, middle.undoes) == (back.provenance, done.provenance)
    assert (middle.activity, middle.reason) == ("undo", "A slip.")


@pytest.mark.parametrize("act", ["accept", "override", "exclude", "mark"])
def test_what_was_changed_since_is_not_undone(demo, desk, act):
    _, do = acts(demo)[act]
    done = do(desk)
    desk.undo(done)
    with pytest.raises(Conflict, match="was changed since"):
        desk.undo(done)


def test_undoing_leaves_what_others_changed_elsewhere(demo, desk):
    goal = goal_id(demo)
    done = desk.override(goal, DAY, reason="Wait.", lifecycle="on-hold")
    put(demo, {**read(demo, f"Goal/{goal}"), "note": [{"text": "Called."}]})
    desk.undo(done)
    after = read(demo, f"Goal/{goal}")
    assert (after["lifecycleStatus"], after["note"]) == ("active", [{"text": "Called."}])


def test_only_decisions_are_undone(demo, desk):
    others = [one for name, one in stored(demo).items() if name.startswith("Provenance/")]
    assert others
    with pytest.raises(RuleViolation, match="tells of no decision"):
        desk.undo(Decided((), f"Provenance/{others[0]['id']}"))


def test_a_provenance_made_up_undoes_nothing_that_no_decision_wrote(demo, desk):
    """Whoever may write Provenance could name any version; only what decisions change is taken back."""
    goal = goal_id(demo)
    done = desk.accept(goal, DAY)
    put(demo, {**read(demo, f"Goal/{goal}"), "note": [{"text": "Called."}]})
    told = read(demo, done.provenance)
    version = demo.run(demo.store.read("Goal", goal)).version
    put(demo, {**told, "id": "made-up", "target": [{"reference": f"Goal/{goal}/_history/{version}"}]})
    with pytest.raises(RuleViolation, match="changed more than a decision does"):
        desk.undo(Decided((), "Provenance/made-up"))
    baseline = named(demo, "Observation", "demo-01-visit-1/goals/closure/baseline")
    put(demo, {**told, "id": "made-up", "target": [{"reference": f"Observation/{baseline}/_history/1"}]})
    with pytest.raises(RuleViolation, match="was not made by a decision"):
        desk.undo(Decided((), "Provenance/made-up"))


def test_deciding_needs_the_right(demo):
    goal = goal_id(demo)
    for scope in ("user/*.rs", "goal-decisions", "goal-decisions user/Goal.r"):
        with pytest.raises(Forbidden):
            Desk(demo, person(scope=scope)).accept(goal, DAY)
    writer = person(scope="user/*.cruds")
    Desk(demo, writer).undo(Desk(demo, writer).accept(goal, DAY))


def test_a_marked_trial_says_so_and_counts_no_more(demo, desk):
    trial = trial_id(demo)
    before = read(demo, f"Observation/{trial}")
    desk.mark(trial, code="view-lost")
    after = read(demo, f"Observation/{trial}")
    assert (after["status"], "valueCodeableConcept" in after) == ("amended", False)
    assert after["dataAbsentReason"]["coding"][0]["code"] == "error"
    assert value_code(component(after, "reason-not-rated")) == "view-lost"
    assert "Closed" in before["text"]["div"]
    assert "Result: not available" in after["text"]["div"]
    shown = answered(demo, goal_id(demo), "2026-03-24")
    assert (shown.get("numerator"), shown.get("denominator")) == (3, 4)
    assert shown.get("computedStatus") == "improving"  # one visit at target, and 3 of 4 is too few trials
    with pytest.raises(RuleViolation, match="whose outcome was seen"):
        desk.mark(trial, code="secretions")


def test_marking_needs_a_known_reason_and_a_trial(demo, desk):
    with pytest.raises(RuleViolation, match="is not one of fatigue, movement"):
        desk.mark(trial_id(demo), code="bad-luck")
    baseline = named(demo, "Observation", "demo-01-visit-1/goals/closure/baseline")
    with pytest.raises(RuleViolation, match="Only a trial"):
        desk.mark(baseline, code="movement")


def test_an_excluded_visit_says_why_and_is_excluded_once(demo, desk):
    visit = named(demo, "Encounter", "demo-01-visit-6")
    desk.exclude(visit, reason="A cold <3 days>.", code="unwell")
    after = read(demo, f"Encounter/{visit}")
    (extension,) = [one for one in after["extension"] if one["url"].endswith("/visit-exclusion")]
    reason, day = extension["extension"]
    assert reason["valueCodeableConcept"]["text"] == "A cold <3 days>."
    assert day["valueDateTime"] == "2026-12-01T09:00:00+00:00"
    assert "Left out of computed results: A cold &lt;3 days&gt;." in after["text"]["div"]
    with pytest.raises(RuleViolation, match="left out already"):
        desk.exclude(visit, reason="Again.")
    with pytest.raises(RuleViolation) as caught:
        desk.exclude(visit, reason="", code="rain")
    assert len(caught.value.issues) == 2


def test_what_is_computed_leaves_the_visit_out_and_takes_it_in_again(demo, desk):
    goal, visit = goal_id(demo), named(demo, "Encounter", "demo-01-visit-6")
    before = answered(demo, goal, "2026-03-24")
    done = desk.exclude(visit, reason="A cold.")
    without = answered(demo, goal, "2026-03-24")
    assert (before.get("latestDate"), without.get("latestDate")) == ("2026-03-24", "2026-03-10")
    assert (before.get("computedStatus"), without.get("computedStatus")) == ("achieved", "improving")
    desk.undo(done)
    assert answered(demo, goal, "2026-03-24").get("computedStatus") == "achieved"


def resent(demo, name):
    (path,) = [path for path in records_in_order() if path.stem == name]
    return demo.run(taken_in(demo.store, path, demo.context))


@pytest.mark.parametrize(
    ("act", "record", "told"),
    [
        ("accept", "demo-01-visit-6", "is older than what was decided on 2026-12-01"),
        ("override", "demo-01-visit-1", "is older than what was decided on 2026-12-01"),
        ("exclude", "demo-01-visit-6", "This visit was left out of computed results"),
        ("mark", "demo-01-visit-6", "Trial pre/1 was marked not observable"),
    ],
)
def test_a_record_sent_again_leaves_what_was_decided_and_says_so(demo, desk, act, record, told):
    name, do = acts(demo)[act]
    done = do(desk)
    decided = read(demo, name)
    receipt = resent(demo, record)
    assert receipt.changed == ()
    assert any(told in issue.message for issue in receipt.warnings), receipt.warnings
    assert read(demo, name) == decided
    desk.undo(done)
    assert not any(told in issue.message for issue in resent(demo, record).warnings)


def test_a_visit_corrected_by_its_record_stays_left_out_and_can_still_be_undone(demo, desk, tmp_path):
    visit = named(demo, "Encounter", "demo-01-visit-6")
    done = desk.exclude(visit, reason="A cold.")
    (path,) = [path for path in records_in_order() if path.stem == "demo-01-visit-6"]
    corrected = tmp_path / path.name
    corrected.write_text(path.read_text("utf-8").replace("type: training", "type: review"), "utf-8")
    assert corrected.read_text("utf-8") != path.read_text("utf-8")
    receipt = demo.run(taken_in(demo.store, corrected, demo.context))
    assert f"Encounter/{visit}" in receipt.updated
    after = read(demo, f"Encounter/{visit}")
    assert "Left out" in after["text"]["div"]
    desk.undo(done)
    back = read(demo, f"Encounter/{visit}")
    assert "extension" not in back
    assert code_of(back["type"][0]) == "review"
    assert "Left out" not in back.get("text", {}).get("div", "")


def test_a_newer_visit_speaks_after_a_decision(demo):
    """The newest statement wins, whoever made it."""
    goal = goal_id(demo)
    early = replace(CONTEXT, clock=lambda: datetime(2026, 3, 1, tzinfo=UTC))
    Desk(demo, context=early).override(goal, date(2026, 3, 1), reason="Wait.", lifecycle="on-hold")
    assert read(demo, f"Goal/{goal}")["lifecycleStatus"] == "on-hold"
    resent(demo, "demo-01-visit-6")
    assert status(read(demo, f"Goal/{goal}")) == "achieved"


def test_on_postgres_the_acts_are_the_same(database_url):
    demo = Demo(None, store=AnyLoop(database_url, lambda: NOW))
    try:
        demo.load("demo-01")
        desk = Desk(demo)
        for name, do in acts(demo).values():
            first = read(demo, name)
            done = do(desk)
            decided = read(demo, name)
            back = desk.undo(done)
            assert same_content(read(demo, name), first)
            desk.undo(back)
            assert same_content(read(demo, name), decided)
            assert len(desk.made(name)) >= 3
    finally:
        demo.run(demo.store.close())


def test_an_exclusion_that_somebody_wrote_without_words_stands_too(demo):
    """Where the site only warns, its parts may be missing; the record is taken in all the same."""
    visit = named(demo, "Encounter", "demo-01-visit-6")
    bare = {"url": "https://swallow-interop.example.org/fhir/StructureDefinition/visit-exclusion"}
    day = {"url": "date", "valueDateTime": "2026-04-01"}
    bare_visit = {**read(demo, f"Encounter/{visit}"), "extension": [{**bare, "extension": [day]}]}
    put(demo, bare_visit, warn_only=True)
    receipt = resent(demo, "demo-01-visit-6")
    assert receipt.changed == ()
    assert any("left out of computed results" in issue.message for issue in receipt.warnings)
