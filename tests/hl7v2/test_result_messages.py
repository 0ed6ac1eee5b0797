"""Results as ORU messages: judged by another library, and held against the FHIR they came from."""

from collections import Counter

import pytest
from told import people
from v2_oracle import judged, table

from service.hl7v2.mapping import code_systems, fields, kinds, notes, reports, tables
from service.hl7v2.report import reports_of
from service.hl7v2.result_message import Partner, result_message
from service.page import cautions
from service.terminology.codes import codes

OWN = {"99SWO", "99SWV", "99SWE"}


@pytest.fixture(scope="module")
def told():
    """Every report of the demo with its message."""
    made = [one for resources in people().values() for one in reports_of(resources).values()]
    return [(one, result_message(one)) for one in made]


def segments(message, name):
    rows = message.content.decode().split("\r")
    return [row.split("|") for row in rows if row.startswith(name)]


def test_every_study_training_visit_and_goal_of_the_demo_is_a_message(told):
    counts = Counter(one.kind for one, _ in told)
    everything = [one for resources in people().values() for one in resources]
    studies = sum(one["resourceType"] == "DiagnosticReport" for one in everything)
    trained = sum(
        one["resourceType"] == "Observation" and _code(one) == "training-session" for one in everything
    )
    assert (counts["study"], counts["training"], counts["goal"]) == (studies, trained, 11)


@pytest.mark.published("hl7apy 1.3.5: message structure, segments, data types and tables of HL7 v2.5.1")
def test_another_library_takes_every_message_without_a_warning(told, tmp_path):
    seen = set()
    for _, message in told:
        _, warnings = judged(_without_repeats(message, seen), tmp_path)
        assert warnings == [], message.about


def _without_repeats(message, seen):
    """The message without OBX that say what one judged before says: each takes the library 5 ms."""
    kept = []
    for text in message.content.decode().split("\r")[:-1]:
        what = tuple(text.split("|")[2:7:1]) if text.startswith("OBX") else (text,)
        if not text.startswith("OBX") or (key := (what[0], what[1], what[3], what[4])) not in seen:
            kept.append(text)
            seen.update({key} if text.startswith("OBX") else ())
    return "\r".join(kept) + "\r"


def test_every_value_of_every_observation_is_in_its_message(told):
    """Read by other code than wrote it: what FHIR says of each trial and bolus, as often as it says it."""
    for report, message in told:
        if report.kind in {"goal", "summary"}:
            continue
        assert Counter(map(_shown, segments(message, "OBX"))) == Counter(_said(report)), message.about


def _said(report):
    """Code, value and unit of everything with a value, or said to have none."""
    whole = _own_results(report)
    for one in whole:
        for part in (one, *({**_when(one), **part} for part in one.get("component", ()))):
            if any(name.startswith(("value", "dataAbsent")) for name in part):
                yield (
                    _code(part),
                    *_plain(part),
                    part.get("effectiveDateTime", part.get("effectivePeriod", {}).get("start"))[:10],
                )


def _when(one):
    return {name: value for name, value in one.items() if name.startswith("effective")}


def _own_results(report):
    on_file, root = report.on_file, f"{report.root['resourceType']}/{report.root['id']}"
    every = [one for one in on_file.values() if one["resourceType"] == "Observation"]
    if report.kind == "study":
        return [on_file[one["reference"]] for one in report.root["result"]]
    if report.kind == "findings":
        return [
            one for one in every if one["encounter"]["reference"] == root and _code(one) in reports().findings
        ]
    seen = [one for one in every if root in [part["reference"] for part in one.get("partOf", ())]]
    names = {f"Observation/{one['id']}" for one in seen}
    return seen + [one for one in every if names & {part["reference"] for part in one.get("focus", ())}]


def _code(one):
    return one["code"]["coding"][-1]["code"]


def _plain(part):
    if "valueCodeableConcept" in part:
        return part["valueCodeableConcept"]["coding"][-1]["code"], ""
    if "valueQuantity" in part:
        return str(part["valueQuantity"]["value"]), part["valueQuantity"]["code"]
    if "valueBoolean" in part:
        return ("Y" if part["valueBoolean"] else "N"), ""
    if "dataAbsentReason" in part:
        return "", ""
    return str(part.get("valueInteger", part.get("valueString"))), ""


def _shown(row):
    row = [*row, *[""] * 20]
    value = row[5].split("^")
    local = [
        part
        for at, part in enumerate(value[:-2])
        if at % 3 == 0 and value[at + 2] in {*OWN, "99GST", "99GAC"}
    ]
    return (
        _long(_local(row[3])),
        _long((local or value)[-1 if local else 0]),
        row[6].split("^")[0],
        _date(row[14]),
    )


def _local(coded):
    parts = coded.split("^")
    return parts[3] if len(parts) > 3 else parts[0]


def _long(code):
    return {short: long for long, short in code_systems().short.items()}.get(code, code)


def _date(stamp):
    return f"{stamp[:4]}-{stamp[4:6]}-{stamp[6:8]}"


def test_every_goal_says_where_it_stands_what_for_and_since_when(told):
    for report, message in told:
        if report.kind != "goal":
            continue
        goal = report.root
        found = {row[4]: row for row in segments(message, "OBX")}
        assert found["1"][5].split("^")[0] == goal["lifecycleStatus"]
        reached = goal.get("achievementStatus", {}).get("coding", [{}])[0].get("code", "")
        assert found.get("2", [""] * 6)[5].split("^")[0] == reached
        assert found["4"][5] == goal["description"]["text"]
        for number, target in enumerate(goal["target"], 1):
            row = found["5" if number == 1 else f"5.{number}"]
            detail = target["detailQuantity"]
            assert _local(row[3]) == target["measure"]["coding"][-1]["code"]
            assert row[5] == f"{detail['comparator']}^{detail['value']}"
            assert row[6].split("^")[0] == detail["code"]
        if "6" in found:
            (base,) = [one for one in report.on_file.values() if _is_baseline(one, goal["id"])]
            assert found["6"][5] == str(base["valueQuantity"]["value"])
        (obr,) = segments(message, "OBR")
        assert obr[7] == goal["statusDate"].replace("-", "")


def _is_baseline(one, goal):
    about = [part["reference"] for part in one.get("focus", ())]
    return f"Goal/{goal}" in about and _code(one) == "goal-baseline"


def test_who_observed_when_and_about_whom_stand_where_the_standard_has_them(told):
    for report, message in told:
        (pid,) = segments(message, "PID")
        assert pid[3].split("^")[0] == report.patient["identifier"][0]["value"]
        assert pid[5].split("^")[:2] == [
            report.patient["name"][0]["family"],
            *report.patient["name"][0]["given"],
        ]
        assert pid[7] == report.patient["birthDate"].replace("-", "")
        assert {"male": "M", "female": "F"}[report.patient["gender"]] == pid[8]
        if report.encounter is not None:
            (pv1,) = segments(message, "PV1")
            assert pv1[19].split("^")[0] == report.encounter["identifier"][0]["value"]
            start = report.encounter["period"]["start"]
            assert pv1[44] == start.replace("-", "", 2).replace("T", "").replace(":", "")


def test_no_number_of_a_result_stands_twice_and_trials_keep_theirs(told):
    for report, message in told:
        subs = [row[4] for row in segments(message, "OBX")]
        assert len(subs) == len({*subs}), message.about
        if report.kind == "training":
            for one in report.results:
                if one.sub.count(".") == 2 and one.sub.startswith("3."):
                    block, trial = one.tree["identifier"][0]["value"].split("/")[1:3]
                    assert one.sub == f"3.{reports().numbers[block]}.{trial}"


def test_no_field_is_longer_than_the_standard_lets_it_be(told):
    for _, message in told:
        for text in message.content.decode().split("\r")[:-1]:
            name, *values = text.split("|")
            values = ["|", *values] if name == "MSH" else values
            for row in fields()[name]:
                value = values[row.field - 1] if row.field <= len(values) else ""
                assert all(len(one) <= row.length for one in value.split("~")), (name, row.field)
                assert value or row.card.startswith("0"), (name, row.field)


def test_the_same_report_makes_the_same_message_and_another_one_another(told):
    ids = [message.control_id for _, message in told]
    assert len(ids) == len({*ids})
    for report, message in told[:10]:
        assert result_message(report) == message
        assert (
            result_message(report, partner=Partner(receiving_facility="WARD")).control_id
            != message.control_id
        )


def test_what_is_invented_is_sent_for_training_and_not_for_production(told):
    assert {segments(message, "MSH")[0][10] for _, message in told} == {"T"}


def test_a_set_that_cannot_hold_the_message_gives_way_to_unicode(told):
    report, _ = told[0]
    plain = result_message(report, partner=Partner(character_set="8859/1"))
    assert segments(plain, "MSH")[0][17] == "8859/1"
    name = [{"family": "Őri", "given": ["Test"]}]
    other = reports_of([*report.on_file.values(), {**report.patient, "name": name}])[report.key]
    sent = result_message(other, partner=Partner(character_set="8859/1"))
    assert segments(sent, "MSH")[0][17] == "UNICODE UTF-8"
    assert "Őri^Test" in sent.content.decode("utf-8")


@pytest.mark.published(
    "HL7 v2.5.1 tables 0001, 0004, 0038, 0074, 0085, 0136, 0177, 0190, 0200 to 0202, as hl7apy has them"
)
def test_every_code_of_the_tables_is_one_of_the_standard():
    for name, own in tables().items():
        if name.endswith("-in"):
            number = own.title.partition("table ")[2][:4]
            assert {*own.codes} <= {*table(number)} | {"A", "N"}, name
            continue
        number = own.title.partition("table ")[2][:4]
        allowed = (
            {*table(number), ""} if number not in {"0136", "0399"} else {"Y", "N", *own.codes.values(), ""}
        )
        used = {code.split("^")[0] for code in (*own.codes.values(), own.other)}
        assert used <= allowed, name
    assert {kind.section for kind in kinds().values()} <= {*table("0074")}


def test_no_code_is_too_long_for_its_component():
    """CE.1 has 20 characters; those of ours that are longer have a short form, which is another for each."""
    own = [row.code for row in codes("all").rows() if "swallow" in row.system]
    short = code_systems().short
    assert [code for code in own if len(code) > 20 and len(short.get(code, code)) > 20] == []
    assert {*short} <= {*own}
    assert len({*short.values()}) == len(short)
    assert not {*short.values()} & {*own}


def test_the_cautions_are_those_of_the_pages():
    words = {
        "numbers": cautions.EVERYWHERE[0],
        "service": cautions.EVERYWHERE[1],
        "exercises": cautions.EXERCISES[1],
        "food": cautions.FOOD[1],
        "endoscopy": cautions.ENDOSCOPY[1],
        "x-ray": cautions.XRAY[1],
    }
    assert notes() == words


def test_every_kind_of_report_warns_of_what_it_tells(told):
    for report, message in told:
        written = [row[3] for row in segments(message, "NTE")]
        assert notes()["service"] in written
        assert (notes()["exercises"] in written) == (report.kind == "training")
