"""What is told of the newest safety screen: items of the list alone, as of a day."""

from datetime import date
from zoneinfo import ZoneInfo

from service.fhir.json import dump
from service.records.safety import SAFETY_SCREEN
from service.records.screened import AnsweredScreen, Screened, screened
from service.records.views import views
from service.terminology.codes import VALUE

UTC = ZoneInfo("UTC")


def screen(day, status="completed", questionnaire=SAFETY_SCREEN, **answers):
    def item(key, said):
        return {"linkId": key, "text": key, "answer": [{"valueCoding": {"system": VALUE, "code": said}}]}

    return {
        "resourceType": "QuestionnaireResponse",
        "status": status,
        "questionnaire": questionnaire,
        "authored": day,
        "item": [item(key, said) for key, said in answers.items()],
    }


def told(*responses, as_of=date(2026, 12, 1)):
    return screened(views(AnsweredScreen, map(dump, responses)), as_of, UTC)


def test_the_newest_one_in_force_by_the_day_is_told():
    first = screen("2026-06-05", coronary_disease="yes", hernia="unknown", aneurysm="no")
    second = screen("2026-09-11", heart_failure="yes", questionnaire=f"{SAFETY_SCREEN}|1.0.0")
    wrong = screen("2026-10-01", status="entered-in-error", aneurysm="yes")
    other = screen("2026-11-01", questionnaire="https://forms.example.org/falls", aneurysm="yes")
    before = Screened(date(2026, 6, 5), ("coronary disease",), ("hernia",))
    assert told(first, second, wrong, other) == Screened(date(2026, 9, 11), ("heart failure",), ())
    assert told(first, second, wrong, other, as_of=date(2026, 9, 10)) == before
    assert told(first, as_of=date(2026, 6, 4)) is None
    assert told() is None


def test_items_of_a_sites_own_are_words_and_left_out():
    found = told(screen("2026-06-05", daughter_says_she_faints="yes"))
    assert found == Screened(date(2026, 6, 5), (), ())


def test_an_item_without_an_answer_or_with_one_of_another_system_is_not_marked():
    odd = screen("2026-06-05", aneurysm="yes", hernia="yes")
    odd["item"][0].pop("answer")
    odd["item"][1]["answer"] = [{"valueCoding": {"system": "urn:oid:2.999", "code": "yes"}}]
    assert told(odd) == Screened(date(2026, 6, 5), (), ())
