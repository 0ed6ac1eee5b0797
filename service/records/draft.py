"""The transaction Bundle while it is being written: one entry per part of the record.

Parts refer to each other by fullUrl. Every entry is a conditional update by identifier, so the Bundle can be
sent again; people (Patient, Practitioner) are conditional creates, so what is on file about them stays.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Literal, TypedDict, Unpack

from service.records.elements import Element, moment, present, reference, references
from service.records.identity import Names, criteria, full_url, person_url
from service.records.narrative import narrative, observation_narrative
from service.records.profiles import own_profile
from service.records.visit import Practitioner, VisitRecord
from service.terminology.codes import Codes

__all__ = ["HL7", "ICF", "PFE", "US_CORE", "About", "Draft"]

HL7 = "http://terminology.hl7.org/CodeSystem/"
PFE = "http://hl7.org/fhir/us/pacio-pfe/StructureDefinition/"
US_CORE = "http://hl7.org/fhir/us/core/StructureDefinition/"
ICF = "http://hl7.org/fhir/sid/icf"
_CLINICAL_TEST = f"{PFE}pfe-observation-clinicaltest"
_ONE_IDENTIFIER = {"QuestionnaireResponse", "AdverseEvent"}
_NO_IDENTIFIER_SEARCH = {"AdverseEvent"}
"""R4 can't find these by identifier, so no conditional update either: they are created."""
_HTEST = f"{HL7}v3-ActReason"


_LINKS: tuple[Literal["partOf", "basedOn", "focus", "hasMember"], ...] = (
    "partOf",
    "basedOn",
    "focus",
    "hasMember",
)


class About(TypedDict, total=False):
    """What may be said about an Observation besides its value.

    ``effective`` is a dateTime text or a Period, default the visit's start; ``performer`` defaults to the
    visit's clinician. References are given as text.
    """

    components: Sequence[Element]
    effective: str | Element
    performer: Sequence[str]
    profile: str
    method: Element
    notes: Sequence[str]
    partOf: Sequence[str]
    basedOn: Sequence[str]
    focus: Sequence[str]
    hasMember: Sequence[str]


class Draft:
    """Entries of one record's Bundle, and the references the parts share.

    ``start`` is the visit's start with its offset. ``patient`` is the reference of the subject.
    ``conditions`` are references of the conditions behind the problem.
    """

    def __init__(self, record: VisitRecord, codes: Codes, start: datetime, patient: str = "") -> None:
        """``patient`` is the reference of the stored Patient; empty if the record brings the person."""
        self.record = record
        self.codes = codes
        self.start = start
        self.names = Names(record.record.system, record.record.value)
        self.entries: list[Element] = []
        self.patient = patient or person_url("Patient", record.patient.system, record.patient.value)
        self.encounter = self.url("")
        self.conditions: list[str] = []
        self._people: dict[str, str] = {}

    def url(self, path: str) -> str:
        """The fullUrl of the part at ``path``."""
        return full_url(self.names.system, self.names.value(path))

    def subject(self) -> Element:
        """A Reference to the patient."""
        return reference(self.patient)

    def add(self, type_: str, path: str, body: Element, *, profile: str = "") -> str:
        """Add the part at ``path``; answers its fullUrl. ``body`` brings its own narrative in ``text``."""
        system, value = self.names.system, self.names.value(path)
        one = {"system": system, "value": value}
        resource = {
            "resourceType": type_,
            **self._meta(profile, own_profile(type_, path, body)),
            "text": body.pop("text"),
            "identifier": one if type_ in _ONE_IDENTIFIER else [one],
            **body,
        }
        request = {"method": "PUT", "url": f"{type_}?{criteria(system, value)}"}
        if type_ in _NO_IDENTIFIER_SEARCH:
            request = {"method": "POST", "url": type_}
        return self._entry(full_url(system, value), resource, request)

    def add_person(self, type_: str, system: str, value: str, body: Element, *, profile: str = "") -> str:
        """Add a Patient or Practitioner that is created unless it is on file; answers its fullUrl."""
        identifier = [{"system": system, "value": value}]
        resource = {"resourceType": type_, **self._meta(profile), "text": body.pop("text")}
        resource |= {"identifier": identifier, **body}
        request = {"method": "POST", "url": type_, "ifNoneExist": criteria(system, value)}
        return self._entry(person_url(type_, system, value), resource, request)

    def practitioner(self, person: Practitioner) -> str:
        """The reference of a clinician, added once per Bundle."""
        system, value = person.identifier.system, person.identifier.value
        url = person_url("Practitioner", system, value)
        if url not in self._people:
            role = self.codes.answer(person.role)
            body = {
                "text": narrative(person.name, [("Role", role["text"])]),
                "name": [{"text": person.name}],
                "qualification": [{"code": role}],
            }
            self._people[url] = self.add_person("Practitioner", system, value, body)
        return url

    def clinician(self, person: Practitioner | None = None) -> str:
        """The reference of ``person``, or of the clinician responsible for the visit."""
        return self.practitioner(person or self.record.visit.clinician)

    def component(self, code: str, value: Element | None) -> list[Element]:
        """One Observation.component in a list, or none where ``value`` is None."""
        return [] if value is None else [{"code": self.codes.concept(code), **value}]

    def answered(self, code: str, words: str | None, *, standard: bool = True) -> list[Element]:
        """A component whose value is an answer in the record's words, or none."""
        if words is None:
            return []
        answer = self.codes.answer(words, standard=standard)
        return self.component(code, {"valueCodeableConcept": answer})

    def category(self, *names: str) -> list[Element]:
        """Observation categories by code; ``functional-status`` is US Core's, ``b510`` is ICF's."""
        own = {
            "functional-status": "http://hl7.org/fhir/us/core/CodeSystem/us-core-category",
            "b510": ICF,
        }
        system = f"{HL7}observation-category"
        return [{"coding": [self.codes.coding(own.get(name, system), name)]} for name in names]

    def self_reported(self) -> Element:
        """Observation.method for what the patient says."""
        system = "http://hl7.org/fhir/us/sdoh-clinicalcare/CodeSystem/SDOHCC-CodeSystemTemporaryCodes"
        return {"coding": [self.codes.coding(system, "self-reported")]}

    def observe(
        self,
        path: str,
        code: str,
        category: Sequence[str],
        value: Element | None = None,
        **about: Unpack[About],
    ) -> str:
        """Add an Observation; answers its fullUrl. ``value`` is a ``value[x]`` or why there is none."""
        concept = self.codes.concept(code)
        when = about.get("effective") or moment(self.start)
        who = about.get("performer")
        body = {
            "status": "final",
            "category": self.category(*category),
            "code": concept,
            "subject": self.subject(),
            "encounter": reference(self.encounter),
            "effectiveDateTime" if isinstance(when, str) else "effectivePeriod": when,
            **present(performer=references([self.clinician()] if who is None else who)),
            **(value or {}),
            **present(
                method=about.get("method"),
                note=[{"text": note} for note in about.get("notes", ())],
                component=list(about.get("components", ())),
                **{name: references(about.get(name, ())) for name in _LINKS},
            ),
        }
        body["text"] = observation_narrative(body)
        return self.add("Observation", path, body, profile=about.get("profile", ""))

    def clinical_test(
        self, path: str, code: str, category: str, value: Element | None = None, **about: Unpack[About]
    ) -> str:
        """Add an Observation that a clinician made by looking: PACIO clinical test, ICF chapter b510."""
        about.setdefault("profile", _CLINICAL_TEST)
        return self.observe(path, code, (category, "b510"), value, **about)

    def bundle(self) -> Element:
        """The Bundle, people first."""
        people = [entry for entry in self.entries if "ifNoneExist" in entry["request"]]
        parts = [entry for entry in self.entries if "ifNoneExist" not in entry["request"]]
        return {"resourceType": "Bundle", "type": "transaction", "entry": [*people, *parts]}

    def _entry(self, url: str, resource: Element, request: Element) -> str:
        self.entries.append({"fullUrl": url, "resource": resource, "request": request})
        return url

    def _meta(self, *profiles: str) -> Element:
        security = [self.codes.coding(_HTEST, "HTEST")] if self.record.test_data else []
        return present(meta=present(profile=[one for one in profiles if one], security=security))
