"""A person's Consents: the published examples, a table of cases, and what is in doubt."""

import json
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from r4_examples import FOLDER, example_files

from service.security.consent import ANY_LABELS, ANY_TYPE, Requester, answers, denies, read_consent

Tree = dict[str, Any]
NOW = datetime(2026, 9, 20, 10, 0, tzinfo=UTC)
CODES = "http://terminology.hl7.org/CodeSystem"
REASON, ACT = f"{CODES}/v3-ActReason", f"{CODES}/v3-ActCode"
CONFIDENTIALITY = f"{CODES}/v3-Confidentiality"
NURSE = "Practitioner/f204"
OTHER = Requester(frozenset({"Practitioner/9"}), "TREAT", "access")


def privacy(base: str = "", provision: Tree | None = None, **more: Any) -> Tree:
    rule = {"policyRule": {"coding": [{"system": ACT, "code": base}]}} if base else {}
    return {
        "resourceType": "Consent",
        "status": "active",
        "scope": {"coding": [{"system": f"{CODES}/consentscope", "code": "patient-privacy"}]},
        "patient": {"reference": "Patient/p"},
        **rule,
        **({"provision": provision} if provision is not None else {}),
        **more,
    }


def actor(reference: str, role: str = "PRCP") -> Tree:
    coding = {"system": f"{CODES}/v3-ParticipationType", "code": role}
    return {"role": {"coding": [coding]}, "reference": {"reference": reference}}


def action(code: str) -> Tree:
    return {"coding": [{"system": f"{CODES}/consentaction", "code": code}]}


def types(*names: str) -> list[Tree]:
    return [{"system": "http://hl7.org/fhir/resource-types", "code": name} for name in names]


def purpose(*codes: str) -> list[Tree]:
    return [{"system": REASON, "code": code} for code in codes]


def label(*codes: str, system: str = CONFIDENTIALITY) -> list[Tree]:
    return [{"system": system, "code": code} for code in codes]


def labels(*codes: str, system: str = CONFIDENTIALITY) -> frozenset[tuple[str, str]]:
    return frozenset((system, code) for code in codes)


def caller(*actors: str, purpose: str = "TREAT", action: str = "access") -> Requester:
    return Requester(frozenset(actors), purpose, action)


def refused(
    *consents: Tree,
    by: Requester = OTHER,
    type_: str = "Observation",
    labels: frozenset[tuple[str, str]] | None = frozenset(),
    at: datetime = NOW,
) -> bool:
    return denies([read_consent(one) for one in consents], by, type_, labels, at)


def example(name: str) -> Tree:
    if not FOLDER.is_dir():
        raise FileNotFoundError("The official FHIR R4 examples are not there; run: make .cache/r4-examples")
    tree: Tree = json.loads((FOLDER / f"Consent-consent-example-{name}.json").read_text("utf-8"))
    return tree


@pytest.mark.conformance("I10")
@pytest.mark.published("FHIR R4 consent.html, its examples and what their texts say they mean")
@pytest.mark.parametrize(
    ("name", "by", "at", "refuses"),
    [
        ("notThem", caller(NURSE), NOW, True),
        ("notThem", caller(NURSE, action="correct"), NOW, True),
        ("notThem", caller("Practitioner/1"), NOW, False),
        ("notOrg", caller("Practitioner/1", "Organization/f001"), NOW, True),
        ("notOrg", caller("Practitioner/1", "Organization/2"), NOW, False),
        ("notThis", caller(NURSE), NOW, True),
        ("notAuthor", caller(NURSE), NOW, True),
        ("notTime", caller(NURSE), datetime(2015, 1, 20, tzinfo=UTC), True),
        ("notTime", caller(NURSE), datetime(2015, 2, 2, tzinfo=UTC), False),
        ("Out", caller(NURSE), NOW, True),
        ("basic", caller(NURSE), NOW, False),
        ("grantor", caller(NURSE), NOW, True),
        ("Emergency", caller(NURSE), NOW, True),
        ("pkb", caller(NURSE), NOW, True),
        ("pkb", caller("Organization/f001", action="correct"), NOW, True),
        ("smartonfhir", caller(NURSE), datetime(2016, 6, 23, 7, 10, tzinfo=UTC), True),
    ],
)
def test_the_published_examples_refuse_what_their_texts_withhold(
    name: str, by: Requester, at: datetime, *, refuses: bool
) -> None:
    assert refused(example(name), by=by, at=at) is refuses


@pytest.mark.published("FHIR R4 consent-example-smartonfhir")
def test_the_published_app_may_read_the_one_type_it_was_given_for_half_an_hour() -> None:
    within = datetime(2016, 6, 23, 7, 10, tzinfo=UTC)
    assert not refused(example("smartonfhir"), type_="MedicationRequest", at=within)


@pytest.mark.published(
    "FHIR R4 consent-example-pkb (rules without their type), -grantor and -Emergency (custodian)"
)
@pytest.mark.parametrize(
    ("name", "by", "doubt"),
    [
        ("pkb", caller("Organization/f001"), "Consent.provision.provision[0]"),
        ("grantor", caller("Patient/example"), "Consent.provision.actor[0].role"),
        ("Emergency", caller("Organization/f001", purpose="ETREAT"), "Consent.provision.actor[0].role"),
    ],
)
def test_a_published_permission_that_can_t_be_judged_is_refused_in_doubt_and_says_so(
    name: str, by: Requester, doubt: str
) -> None:
    rules = read_consent(example(name))
    assert answers(rules, by, "Observation", frozenset(), NOW) == {True, False}
    assert doubt in dict(rules.doubts)


@pytest.mark.published("FHIR R4 examples")
def test_every_published_example_can_be_read_and_asked() -> None:
    files = example_files("Consent")
    assert len(files) > 10
    for file in files:
        rules = read_consent(json.loads(file.read_text("utf-8")))
        assert rules.withhold
        assert answers(rules, OTHER, ANY_TYPE, ANY_LABELS, NOW) <= {True, False}


@pytest.mark.parametrize("status", ["draft", "proposed", "rejected", "inactive", "entered-in-error"])
def test_only_an_active_consent_says_anything(status: str) -> None:
    assert refused(privacy("OPTOUT"))
    assert not refused(privacy("OPTOUT", status=status))


@pytest.mark.parametrize("code", ["treatment", "adr"])
def test_consent_to_a_treatment_and_advance_directives_are_not_about_data(code: str) -> None:
    scope = {"coding": [{"system": f"{CODES}/consentscope", "code": code}]}
    assert not refused(privacy("OPTOUT", scope=scope))


def test_a_scope_nobody_knows_counts_as_one_about_data() -> None:
    assert refused(privacy("OPTOUT", scope={"text": "sharing"}))


def test_without_consents_nothing_is_refused() -> None:
    assert not refused()
    assert not refused(privacy("OPTIN"))
    assert not refused(privacy(policy=[{"uri": "https://clinic.example.org/notice"}]))


DENY_NURSE = {"type": "deny", "actor": [actor(NURSE)]}


@pytest.mark.parametrize(
    ("consent", "by", "refuses"),
    [
        # the base policy
        (privacy("OPTOUT"), OTHER, True),
        (privacy("OPTOUTE"), OTHER, True),
        (privacy("OPTINR"), OTHER, False),
        # an outermost rule without a type is an exception to the base
        (privacy("OPTIN", {"actor": [actor(NURSE)]}), caller(NURSE), True),
        (privacy("OPTIN", {"actor": [actor(NURSE)]}), OTHER, False),
        (privacy("OPTOUT", {"actor": [actor(NURSE)]}), caller(NURSE), False),
        (privacy("OPTOUT", {"actor": [actor(NURSE)]}), OTHER, True),
        # one with a type says what it says
        (privacy("OPTIN", DENY_NURSE), caller(NURSE), True),
        (privacy("OPTOUT", DENY_NURSE), OTHER, True),
        # without a computable policy the base is the opposite of the outermost rules
        (privacy("", DENY_NURSE), caller(NURSE), True),
        (privacy("", DENY_NURSE), OTHER, False),
        (privacy("", {"type": "permit", "actor": [actor(NURSE)]}), caller(NURSE), False),
        (privacy("", {"type": "permit", "actor": [actor(NURSE)]}), OTHER, True),
        (privacy("", {"type": "permit"}), OTHER, False),
        (privacy("", {"provision": [DENY_NURSE]}), OTHER, False),
        (privacy("", {"provision": [DENY_NURSE]}), caller(NURSE), True),
        (
            privacy("", {"provision": [DENY_NURSE, {"type": "permit", "actor": [actor("Device/1")]}]}),
            OTHER,
            True,
        ),
        # exceptions within exceptions
        (
            privacy("OPTOUT", {"type": "permit", "provision": [DENY_NURSE]}),
            caller(NURSE),
            True,
        ),
        (
            privacy("OPTIN", {**DENY_NURSE, "provision": [{"type": "permit", "purpose": purpose("ETREAT")}]}),
            caller(NURSE, purpose="BTG"),
            False,
        ),
        (
            privacy("OPTIN", {**DENY_NURSE, "provision": [{"type": "permit", "purpose": purpose("ETREAT")}]}),
            caller(NURSE, purpose="TREAT"),
            True,
        ),
        # side by side a refusal wins
        (privacy("OPTIN", {"provision": [{"type": "permit"}, DENY_NURSE]}), caller(NURSE), True),
        # an exception counts only where the rule around it holds
        (
            privacy("OPTIN", {"type": "permit", "actor": [actor("Device/1")], "provision": [DENY_NURSE]}),
            caller(NURSE),
            False,
        ),
        # everybody the caller acts as
        (privacy("OPTIN", DENY_NURSE), caller("PractitionerRole/3", NURSE), True),
        (
            privacy("OPTIN", {"type": "deny", "actor": [actor("CareTeam/1", "IRCP")]}),
            caller("CareTeam/1"),
            True,
        ),
        # the person themselves
        (privacy("OPTOUT"), caller("Patient/p", purpose="PATRQT"), False),
    ],
)
def test_who_may(consent: Tree, by: Requester, *, refuses: bool) -> None:
    assert refused(consent, by=by) is refuses


@pytest.mark.published("v3-ActReason, PurposeOfUse")
@pytest.mark.parametrize(
    ("ruled", "asked", "refuses"),
    [
        ("TREAT", "TREAT", True),
        ("TREAT", "ETREAT", True),
        ("TREAT", "BTG", True),
        ("ETREAT", "BTG", True),
        ("ETREAT", "TREAT", False),
        ("TREAT", "HRESCH", False),
        ("HRESCH", "CLINTRCH", True),
        ("HOPERAT", "HQUALIMP", True),
        ("HPAYMT", "HOPERAT", False),
        ("PurposeOfUse", "TREAT", True),
        ("TREAT", "", True),
    ],
)
def test_a_purpose_covers_those_below_it_and_in_doubt_it_refuses(
    ruled: str, asked: str, *, refuses: bool
) -> None:
    consent = privacy("OPTIN", {"type": "deny", "purpose": purpose(ruled)})
    assert refused(consent, by=caller("Practitioner/9", purpose=asked)) is refuses


@pytest.mark.parametrize(
    ("type_", "ruled", "asked", "refuses"),
    [
        ("deny", "access", "access", True),
        ("deny", "access", "correct", True),
        ("deny", "correct", "access", False),
        ("deny", "correct", "correct", True),
        ("deny", "use", "access", True),
        ("deny", "disclose", "disclose", True),
        ("permit", "access", "access", False),
        ("permit", "access", "correct", True),
        ("permit", "correct", "access", True),
        ("permit", "collect", "access", True),
    ],
)
def test_actions(type_: str, ruled: str, asked: str, *, refuses: bool) -> None:
    base = "OPTIN" if type_ == "deny" else "OPTOUT"
    consent = privacy(base, {"type": type_, "action": [action(ruled)]})
    assert refused(consent, by=caller("Practitioner/9", action=asked)) is refuses


@pytest.mark.published(
    "FHIR R4 Consent.provision.securityLabel: a high water mark; other labels by subsumption"
)
@pytest.mark.parametrize(
    ("type_", "ruled", "borne", "refuses"),
    [
        ("permit", label("R"), labels("R"), False),
        ("permit", label("R"), labels("N"), False),
        ("permit", label("R"), labels("V"), True),
        ("permit", label("N"), labels(), False),
        ("permit", label("L"), labels(), True),
        ("permit", label("N"), labels("L", "R"), True),
        ("deny", label("R"), labels("R"), True),
        ("deny", label("R"), labels("V"), True),
        ("deny", label("R"), labels("N"), False),
        ("deny", label("R"), labels(), False),
        ("deny", label("PSY", system=ACT), labels("PSY", system=ACT), True),
        ("deny", label("PSY", system=ACT), labels("SEX", system=ACT), False),
        ("deny", label("PSY", system=ACT), labels("R"), False),
        ("deny", label("ZZ", system="urn:local"), labels("AA", system="urn:local"), True),
        ("permit", label("ZZ", system="urn:local"), labels("ZZ", system="urn:local"), False),
        ("deny", [*label("R"), *label("PSY", system=ACT)], labels("PSY", system=ACT), True),
        ("permit", [*label("R"), *label("PSY", system=ACT)], labels("N"), True),
    ],
)
def test_labels(type_: str, ruled: list[Tree], borne: frozenset[tuple[str, str]], *, refuses: bool) -> None:
    base = "OPTIN" if type_ == "deny" else "OPTOUT"
    assert refused(privacy(base, {"type": type_, "securityLabel": ruled}), labels=borne) is refuses


def test_types() -> None:
    consent = privacy("OPTIN", {"type": "deny", "class": types("Observation", "Procedure")})
    assert refused(consent)
    assert not refused(consent, type_="Goal")
    assert refused(consent, type_=ANY_TYPE)


@pytest.mark.parametrize(
    ("period", "at", "refuses"),
    [
        ({"start": "2026-09-21"}, "2026-09-20T10:00:00+00:00", False),
        ({"end": "2026-09-20"}, "2026-09-20T21:59:00+00:00", True),
        ({"end": "2026-09-20"}, "2026-09-20T22:01:00+00:00", False),
        ({"end": "2026-09"}, "2026-09-30T12:00:00+00:00", True),
        ({"start": "2026-09-20T10:00:00Z", "end": "2026-09-20T10:30:00Z"}, "2026-09-20T12:29:00+02:00", True),
        ({"start": "no day"}, "2020-01-01T00:00:00+00:00", True),
    ],
)
def test_a_rule_holds_in_its_period_and_days_are_those_of_the_site(
    period: Tree, at: str, *, refuses: bool
) -> None:
    rules = read_consent(privacy("OPTIN", {"type": "deny", "period": period}), ZoneInfo("Europe/Berlin"))
    assert denies([rules], OTHER, "Observation", frozenset(), datetime.fromisoformat(at)) is refuses


@pytest.mark.parametrize(
    ("provision", "place"),
    [
        ({"code": [{"text": "the video"}]}, "Consent.provision.code[0]"),
        ({"dataPeriod": {"start": "2026"}}, "Consent.provision.dataPeriod"),
        (
            {"data": [{"meaning": "instance", "reference": {"reference": "Observation/1"}}]},
            "Consent.provision.data",
        ),
        ({"class": [{"system": "urn:ietf:bcp:13", "code": "text/plain"}]}, "Consent.provision.class[0]"),
        ({"actor": [actor("Group/1")]}, "Consent.provision.actor[0].reference"),
        (
            {"actor": [actor("https://elsewhere.example.org/Practitioner/1")]},
            "Consent.provision.actor[0].reference",
        ),
        ({"actor": [actor("Organization/1", "CST")]}, "Consent.provision.actor[0].role"),
        ({"modifierExtension": [{"url": "https://example.org/not"}]}, "Consent.provision.modifierExtension"),
    ],
)
def test_what_can_t_be_judged_is_refused_in_doubt_whichever_way_it_is_put(
    provision: Tree, place: str
) -> None:
    withheld = privacy("OPTIN", {"provision": [{"type": "deny", **provision}]})
    given = privacy("OPTOUT", {"provision": [{"type": "permit", **provision}]})
    assert refused(withheld)
    assert refused(given)
    assert [where for where, _ in read_consent(withheld).doubts] == [
        place.replace("provision", "provision.provision[0]", 1)
    ]


def test_of_single_resources_the_type_can_be_told() -> None:
    data = [{"meaning": "instance", "reference": {"reference": "Observation/1"}}]
    consent = privacy("OPTIN", {"type": "deny", "data": data})
    assert refused(consent, type_="Observation")
    assert not refused(consent, type_="Goal")
    related = privacy("OPTIN", {"type": "deny", "data": [{**data[0], "meaning": "related"}]})
    assert refused(related, type_="Goal")


def test_an_extension_that_changes_the_whole_meaning_refuses_everything() -> None:
    assert refused(privacy("OPTIN", modifierExtension=[{"url": "https://example.org/not"}]))


def test_a_nested_rule_that_does_not_say_what_it_does_refuses() -> None:
    assert refused(privacy("OPTIN", {"provision": [{"actor": [actor("Practitioner/9")]}]}))


def test_of_several_consents_one_that_refuses_decides_whatever_their_dates() -> None:
    old = privacy("OPTIN", DENY_NURSE, dateTime="2020-01-01")
    new = privacy("OPTIN", {"type": "permit", "actor": [actor(NURSE)]}, dateTime="2026-01-01")
    assert refused(old, new, by=caller(NURSE))
    assert not refused(old | {"status": "inactive"}, new, by=caller(NURSE))


def test_a_research_consent_counts_for_research() -> None:
    scope = {"coding": [{"system": f"{CODES}/consentscope", "code": "research"}]}
    refusal = privacy("", {"type": "deny"}, scope=scope)
    assert refused(refusal, by=caller(purpose="CLINTRCH"))
    assert not refused(refusal, by=caller(purpose="TREAT"))
    permission = privacy("", {"type": "permit", "code": [{"text": "de-identified research"}]}, scope=scope)
    assert not refused(permission, by=caller(purpose="HRESCH"))
    assert not read_consent(permission).withhold


def test_of_consents_about_research_the_newest_counts_and_an_inactive_one_is_a_withdrawal() -> None:
    scope = {"coding": [{"system": f"{CODES}/consentscope", "code": "research"}]}
    given = privacy("", {"type": "permit"}, scope=scope, dateTime="2026-02-01")
    researcher = caller(purpose="HRESCH")
    assert not refused(privacy("", {"type": "deny"}, scope=scope, dateTime="2026-01"), given, by=researcher)
    withdrawn = privacy("", {"type": "permit"}, scope=scope, dateTime="2026-03-01", status="inactive")
    assert refused(given, withdrawn, by=researcher)
    assert read_consent(withdrawn).withhold


@pytest.mark.parametrize(
    ("consent", "withholds"),
    [
        (privacy("OPTIN"), False),
        (privacy("OPTOUT"), True),
        (privacy("OPTOUT", {"type": "permit"}), False),
        (privacy("OPTIN", DENY_NURSE), True),
        (privacy("OPTIN", {"type": "permit", "actor": [actor(NURSE)]}), False),
        (privacy("", {"type": "permit", "purpose": purpose("TREAT")}), True),
        (privacy("OPTOUT", status="inactive"), False),
    ],
)
def test_whether_a_consent_withholds_anything(consent: Tree, *, withholds: bool) -> None:
    assert read_consent(consent).withhold is withholds
