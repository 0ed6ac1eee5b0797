"""How often a target must be met, from the visit record to the computed answer."""

from datetime import date
from zoneinfo import ZoneInfo

from demo_store import Demo, records_in_order, taken_in

from service.attainment.criterion import Criterion
from service.operations.goal_attainment import compute
from service.operations.goal_table import goal_rows

ASKED = "criterion: {visits: 2, of_visits: 3, weeks: 2, without_cues: yes, min_trials: 4}"


def test_a_criterion_of_p_of_q_visits_over_weeks_and_without_cues(tmp_path):
    demo = Demo(tmp_path)
    (path,) = [path for path in records_in_order() if path.stem == "demo-01-visit-1"]
    text = path.read_text("utf-8")
    first = next(line for line in text.splitlines() if line.lstrip().startswith("criterion:"))
    changed = tmp_path / path.name
    changed.write_text(text.replace(first.strip(), ASKED, 1), "utf-8")
    receipt = demo.run(taken_in(demo.store, changed, demo.context))
    assert receipt.created
    answer = demo.run(compute(demo.store, demo.patient("demo-01"), date(2026, 2, 3), zone=ZoneInfo("UTC")))
    assert goal_rows("", answer)[0][1] == "closure accuracy >= 80 % on 2 of 3 visits in 2 weeks without cues"
    found = answer.goals[0]
    assert found.status.goal.criterion == Criterion(2, 4, 2, of=3, weeks=2, without_cues=True)
    (goal, *_) = demo.answer("demo-01", "2026-02-03").all("goal")
    criterion = goal.get("criterion")
    assert [criterion.get(name) for name in ("ofVisits", "weeks", "withoutCues", "soFar")] == [3, 2, True, 0]
    demo.run(demo.store.close())
