"""ORU^R01: a report as a message, field by field as ``mappings/hl7v2/fields.json`` says.

The same report, told to the same destination after the same messages, makes the same text, control id
included: a message that is sent again is recognised.
"""

import base64
import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.fhir.canonical import CANONICAL_ROOT
from service.hl7v2.data_types import CONVERTERS
from service.hl7v2.encoding import CHARACTER_SETS, UTF_8
from service.hl7v2.mapping import kinds, notes, reports, tables
from service.hl7v2.report import Report
from service.hl7v2.results import Result
from service.hl7v2.segments import built
from service.hl7v2.values import value_of
from service.records.parts import identifiers, in_error
from service.records.preliminary import says_preliminary
from service.records.stored import code_of
from service.terminology.codes import OBSERVATION, codes

__all__ = ["Message", "Partner", "result_message"]

Tree = dict[str, Any]
_PROFILE = ["ORU_R01-1", "", f"{CANONICAL_ROOT}/hl7v2", "URI"]
_ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
_NULL = '""'
"""A field with nothing in it on purpose: what the receiver has there goes."""


@dataclass(frozen=True, slots=True)
class Partner:
    """Names and habits of the two ends: MSH-3 to MSH-6 as ``name^universal id^type``, character set, mode."""

    sending_application: str = "swallow-interop"
    sending_facility: str = ""
    receiving_application: str = ""
    receiving_facility: str = ""
    character_set: str = UTF_8
    enhanced: bool = False


@dataclass(frozen=True, slots=True)
class Message:
    """A message as it is sent; ``about`` is ``Type/id`` of what it stands for."""

    control_id: str
    about: str
    content: bytes


def result_message(
    now: Report, before: Report | None = None, partner: Partner | None = None
) -> Message | None:
    """Answer the message that tells a report; None where there is nothing to tell.

    ``before`` is the report as the receiver has it, None if it has none: what differs is a correction,
    what is no longer there is taken back, and what was entered in error is said to be wrong, if it was ever
    told.
    """
    ends = partner or Partner()
    told = [*_told(now, before)]
    if not told or (before is not None and (_alike(now, before) or _plain(now) == _plain(before))):
        return None
    codec = CHARACTER_SETS[ends.character_set]
    text = "".join(_body(now, told, _status(now, before, told), codec))
    set_, codec = (ends.character_set, codec) if _fits(text, codec) else (UTF_8, "utf-8")
    head = _head(now, ends, set_, "")
    id_ = base64.b32encode(hashlib.sha256((head + text).encode()).digest())[:20].decode()
    return Message(id_, now.key, (_head(now, ends, set_, id_) + text).encode(codec))


def _fits(text: str, codec: str) -> bool:
    try:
        text.encode(codec)
    except UnicodeEncodeError:
        return False
    return True


def _told(now: Report, before: Report | None) -> Iterator[tuple[Result, str]]:
    """Every OBX and its status (HL7 table 0085)."""
    had = {_name(one): one for one in before.results if not (one.wrong or before.wrong)} if before else {}
    for one in now.results:
        if not (one.wrong or now.wrong):
            yield one, _result_status(one, had.pop(_name(one), None))
    for was in had.values():
        wrong = now.wrong or in_error(now.on_file.get(f"Observation/{was.tree['id']}", {}))
        yield (was, "W") if wrong else (Result(was.sub, _without_value(was.tree)), "D")


def _alike(now: Report, before: Report) -> bool:
    """Whether both are made of the very same: most are, of whatever else a person has."""
    return (now.root, now.results, now.gone) == (before.root, before.results, before.gone)


def _plain(report: Report) -> tuple[object, ...]:
    """What a receiver sees of a report, whoever it is about and whenever it was written."""
    about = built("OBR", {report.root["resourceType"]: report.root}, report.on_file, "utf-8")
    told = (
        (_obx(one, status, 1, {}, report.on_file), *_remarks(one.tree)) for one, status in _told(report, None)
    )
    return report.wrong, says_preliminary(report.root), about, *told


def _name(one: Result) -> tuple[str, str]:
    return one.sub, str(CONVERTERS["CE"](one.tree.get("code") or {}))


def _result_status(one: Result, was: Result | None) -> str:
    if says_preliminary({**one.tree, "resourceType": "Observation"}):
        return "P"
    first = was is None or says_preliminary({**was.tree, "resourceType": "Observation"})
    if was is not None and not first and _alone(one) != _alone(was):
        return "C"
    if "dataAbsentReason" in one.tree and not value_of(one.tree)[0]:
        return tables()["absent-reason"].of(code_of(one.tree["dataAbsentReason"], _ABSENT))
    return "F"


def _alone(one: Result) -> tuple[str, ...]:
    return _obx(one, "", 1, {}, {}), *_remarks(one.tree)


def _status(now: Report, before: Report | None, told: Iterable[tuple[Result, str]]) -> str:
    """OBR-25 (HL7 table 0123)."""
    statuses = {status for _, status in told}
    if now.wrong:
        return "X"
    if "P" in statuses or says_preliminary(now.root):
        return "P"
    return "C" if before is not None and statuses & set("CDW") else "F"


def _without_value(tree: Tree) -> Tree:
    return {name: value for name, value in tree.items() if not name.startswith("value")}


def _head(now: Report, ends: Partner, set_: str, control_id: str) -> str:
    asked = {"acceptAcknowledgment": "AL", "applicationAcknowledgment": "NE"} if ends.enhanced else {}
    said = {
        "sendingApplication": ends.sending_application,
        "sendingFacility": ends.sending_facility,
        "receivingApplication": ends.receiving_application,
        "receivingFacility": ends.receiving_facility,
        "dateTime": now.updated,
        "controlId": control_id,
        "processing": "T" if _labelled(now.patient, "HTEST") or _labelled(now.root, "HTEST") else "P",
        "characterSet": set_,
        "profile": "^".join(_PROFILE),
        **asked,
    }
    return built("MSH", {"Message": said}, now.on_file, CHARACTER_SETS[set_])


def _labelled(tree: Tree, code: str) -> bool:
    return code in (one.get("code") for one in tree.get("meta", {}).get("security", ()))


def _body(now: Report, told: Iterable[tuple[Result, str]], status: str, codec: str) -> Iterator[str]:
    roots = {
        "Message": {"dateTime": now.updated},
        "Patient": now.patient,
        now.root["resourceType"]: now.root,
        "Report": _about(now, status),
    }
    if now.encounter is not None:
        roots["Encounter"] = now.encounter
    yield built("PID", roots, now.on_file, codec)
    if now.encounter is not None:
        yield built("PV1", roots, now.on_file, codec)
    yield built("ORC", roots, now.on_file, codec)
    yield built("OBR", roots, now.on_file, codec)
    yield from _notes(_cautions(now), codec)
    for number, (one, result_status) in enumerate(told, 1):
        yield _obx(one, result_status, number, roots, now.on_file, codec)
        yield from _notes(_remarks(one.tree), codec)


def _about(now: Report, status: str) -> Tree:
    kind = kinds()[now.kind]
    value = next((value for _, value in identifiers(now.root) if value), now.root["id"])
    service = reports().service.get(now.kind)
    said: Tree = {"status": status, "section": _section(now.root) or kind.section}
    said["number"] = value if len(value) <= 22 and "^" not in value else _short(value)
    said["identifier"] = {"value": value} if len(value) <= 60 else {}
    said |= {"service": codes().concept(service)} if service else {}
    label = next((code for code in ("V", "R") if _labelled(now.root, code)), "")
    return said | ({"confidentiality": label} if label else {})


def _short(value: str) -> str:
    return base64.b32encode(hashlib.sha256(value.encode()).digest())[:20].decode()


def _section(root: Tree) -> str:
    return code_of(next(iter(root.get("category", ())), {}), "http://terminology.hl7.org/CodeSystem/v2-0074")


def _cautions(now: Report) -> Iterator[str]:
    kind = kinds()[now.kind]
    own = kind.notes_by_code.get(code_of(now.root.get("code"), OBSERVATION))
    yield from (notes()[name] for name in (*kind.notes, *([own] if own else [])))


def _remarks(tree: Tree) -> Iterator[str]:
    yield from (one["text"] for one in tree.get("note", ()) if one.get("text"))
    if absent := tree.get("dataAbsentReason"):
        words = next((one.get("display") for one in absent.get("coding", ()) if one.get("display")), "")
        yield f"No value: {absent.get('text') or words}"


def _notes(texts: Iterable[str], codec: str) -> Iterator[str]:
    for number, text in enumerate(texts, 1):
        yield built("NTE", {"Note": {"number": number, "text": text}}, {}, codec)


def _obx(  # noqa: PLR0913, PLR0917 - what one segment is made of
    one: Result, status: str, number: int, roots: Tree, on_file: Mapping[str, Tree], codec: str = "utf-8"
) -> str:
    type_, value = value_of(one.tree)
    if not type_ and status in {"C", "D"}:
        type_, value = "ST", [_NULL]
    result = {"number": number, "sub": one.sub, "status": status, "valueType": type_}
    result |= {"value": value} if type_ else {}
    return built("OBX", {**roots, "Observation": one.tree, "Result": result}, on_file, codec, type_)
