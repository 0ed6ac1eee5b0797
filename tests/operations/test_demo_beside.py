"""What the invented demo shows beside its goals: studies, cues, changes, scores, phases, reviews."""

import pytest

# Person, day; swallows without a manoeuvre, worst score, most frequent ones, 3 or more and 6 or more in %,
# swallows of group A to D; the manoeuvre and its scores without and with it.
STUDIES = """
01 2026-01-27 5 7 1       60  40 2/2/1/0 supraglottic-swallow       7 3
01 2026-03-26 5 3 1       20  0  4/1/0/0 supraglottic-swallow       3 1
02 2026-02-26 4 8 2,3,5,8 75  25 1/2/0/1 super-supraglottic-swallow 8 3
02 2026-07-28 4 3 1       25  0  3/1/0/0 super-supraglottic-swallow 3 1
03 2026-04-27 4 5 1,2,4,5 50  0  3/1/0/0 head-turn-to-weaker-side   5 2
04 2026-07-27 4 3 1       25  0  3/1/0/0 -                          - -
04 2026-09-30 4 8 3,6,7,8 100 75 0/2/1/1 -                          - -
05 2026-05-29 4 6 1,2,3,6 50  25 2/2/0/0 chin-down                  6 2
05 2026-09-15 4 5 1,2,3,5 50  0  2/2/0/0 chin-down                  5 2
"""
LAST = {
    "demo-01": "2026-03-26",
    "demo-02": "2026-07-28",
    "demo-03": "2026-06-29",
    "demo-04": "2026-09-30",
    "demo-05": "2026-09-15",
}
RELIABLE = {
    "demo-01": (-2.41, True),
    "demo-02": (-2.84, True),
    "demo-03": (0, False),
    "demo-04": (2.41, True),
}


@pytest.fixture(scope="module")
def demo(whole_demo):
    return whole_demo


@pytest.fixture(scope="module")
def answers(demo):
    return {person: demo.answer(person, day) for person, day in LAST.items()}


def goal(answer, measure):
    (found,) = (
        one
        for one in answer.all("goal")
        if measure in {coding["code"] for coding in one.get("measure")["coding"]}
    )
    return found


def described(person, study):
    plain, effects = study.get("withoutManoeuvre"), study.all("manoeuvreEffect")
    modes = ",".join(str(mode) for mode in plain.all("mode"))
    groups = "/".join(str(one.get("count")) for one in plain.all("group"))
    shares = [f"{plain.get(name):g}" for name in ("entered", "aspirated")]
    (tried,) = [(one.get("manoeuvre"), one.get("first"), one.get("second")) for one in effects] or [
        ("-",) * 3
    ]
    numbers = (study.get("date"), plain.get("swallows"), plain.get("worst"), modes, *shares, groups, *tried)
    return " ".join(map(str, (person.removeprefix("demo-"), *numbers)))


def test_every_study_in_counts(answers):
    found = [described(person, study) for person, answer in answers.items() for study in answer.all("study")]
    assert found == [" ".join(row.split()) for row in STUDIES.strip().splitlines()]


def test_studies_are_compared_bolus_by_bolus(answers):
    effects = {
        person: [one.get("effect") for one in answer.all("study")[-1].get("sinceStudyBefore").all("bolus")]
        for person, answer in answers.items()
        if len(answer.all("study")) > 1
    }
    assert effects == {
        "demo-01": ["better", "better", "better", "better", "same", "same"],
        "demo-02": ["better"] * 5,
        "demo-04": ["worse"] * 4,
        "demo-05": ["same", "better", "same", "same", "same"],
    }
    assert answers["demo-04"].all("study")[0].get("sinceStudyBefore") is None


def cues(answer):
    return [cue.get("code") for cue in answer.all("cue")]


def test_cues_of_everybody(answers):
    assert {person: cues(answer) for person, answer in answers.items()} == {
        "demo-01": [],
        "demo-02": [],
        "demo-03": [],
        "demo-04": [
            "red-flag",
            *["group-worse"] * 4,
            "new-silent",
            "intake-fall",
            "eat10-rise",
            "closure-fall",
        ],
        "demo-05": ["intake-fall", "closure-fall"],
    }
    for answer in answers.values():
        assert "absence of a cue does not mean safety" in answer.get("cueNote")
        assert all(cue.all("evidence") for cue in answer.all("cue"))


def test_cues_on_the_day_practice_was_stopped(demo):
    found = demo.answer("demo-04", "2026-09-28")
    assert cues(found) == ["red-flag", "intake-fall", "eat10-rise", "closure-fall"]
    (flags,) = (one.get("sentence") for one in found.all("cue") if one.get("code") == "red-flag")
    assert flags == "Red flags answered yes on 2026-09-28: fever, new wet voice, weight loss."


def test_over_confidence_at_two_measured_visits_is_a_cue(demo):
    assert cues(demo.answer("demo-03", "2026-05-18")) == ["over-confident"]
    assert "over-confident" not in cues(demo.answer("demo-03", "2026-06-01"))


@pytest.mark.parametrize(("person", "expected"), RELIABLE.items())
def test_change_of_the_eat10_total(answers, person, expected):
    (eat10,) = (one for one in answers[person].all("score") if one.get("measure") == "eat10-total")
    change = eat10.get("reliableChange")
    assert (round(change.get("index"), 2), change.get("reliable")) == expected
    assert change.get("approximate") is True


def test_weight_of_a_man_who_declines(answers):
    (weight,) = (one for one in answers["demo-04"].all("score") if one.get("measure") == "body-weight")
    assert [one.get("value") for one in weight.all("value")][::6] == [78.6, 73.7]


def test_change_from_the_first_probe_to_the_last_is_paired_by_posture(answers):
    change = goal(answers["demo-01"], "closure-accuracy").get("change")
    assert (change.get("from"), change.get("to"), change.get("difference")) == (
        "2026-02-03",
        "2026-03-24",
        60,
    )
    assert [change.get(name) for name in ("paired", "both", "gained", "lost", "neither")] == [
        True,
        1,
        3,
        0,
        1,
    ]
    assert change.get("p") is None
    assert change.get("reason") == (
        "Five trials cannot show statistical significance; look at the run of visits."
    )


def test_change_within_a_visit(demo):
    found = demo.answer("demo-01", "2026-02-03").all("visit")[0].get("change")
    assert (found.get("paired"), found.get("gained"), found.get("difference")) == (True, 2, 40)
    assert found.get("interval")["low"]["value"] < 0 < found.get("interval")["high"]["value"]


def test_a_session_that_was_stopped_has_no_change(answers):
    assert answers["demo-04"].all("visit")[-1].get("change") is None


def test_one_probe_before_training_is_no_baseline_phase(answers):
    for answer in answers.values():
        found = goal(answer, "closure-accuracy").get("phaseOverlap")
        assert (found.get("baselineValues"), found.get("nap")) == (1, None)
        assert found.get("reason") == "no baseline phase, phase statistics not computed"
        assert answer.all("phase")[0].get("label") == "baseline"


def test_phases_follow_the_home_plans(answers):
    phases = [(one.get("label"), one.get("after")) for one in answers["demo-04"].all("phase")]
    assert phases == [
        ("baseline", None),
        ("training and home plan", "2026-08-03"),
        ("home plan, on-hold", "2026-09-28"),
    ]


def test_the_next_review(answers):
    found = answers["demo-04"].get("review")
    assert [found.get(name) for name in ("date", "daysLeft", "held", "overdue")] == [
        "2026-10-26",
        26,
        False,
        False,
    ]


def test_weights_stand_beside_the_scaling(demo):
    found = demo.answer("demo-01", "2026-03-24").get("scaling").all("weight")
    assert [one.get("weight") for one in found] == [1, 1, 1]
    assert all(one.get("goal")["reference"].startswith("Goal/") for one in found)


def test_a_practice_log_names_its_days(answers):
    log = answers["demo-01"].all("practice")[0]
    assert len(log.all("evidence")) == 1 + 7
