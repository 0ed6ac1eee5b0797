"""Messages as HL7 v2.5.1 shows them, from memory: read as it says, and as another library reads."""

from zoneinfo import ZoneInfo

import hl7apy.parser
import pytest

from service.hl7v2.admission import admissions
from service.hl7v2.parsing import part, read
from service.hl7v2.person import Identifier
from service.hl7v2.times import fhir_time, time_stamp

SYSTEMS = {
    "ADT1": "https://good-health.example.org/patients",
    "XYZ": "https://xyz.example.org",
    "USSSA": "urn:x",
}
ZONE = ZoneInfo("America/New_York")
ADMISSION = """\
MSH|^~\\&|ADT1|GOOD HEALTH HOSPITAL|GHH LAB, INC.|GOOD HEALTH HOSPITAL|198808181126|SECURITY|ADT^A01^ADT_A01|MSG00001|P|2.5.1||
EVN|A01|200708181123||
PID|1||PATID1234^5^M11^ADT1^MR^GOOD HEALTH HOSPITAL~123456789^^^USSSA^SS||EVERYMAN^ADAM^A^III||19610615|M||2106-3|2222 HOME STREET^^GREENSBORO^NC^27401-1020|GL|(555) 555-2004|(555)555-2004||S||PATID12345001^2^M10^ADT1^AN^A|444333333|987654^NC|
NK1|1|NUCLEAR^NELDA^W|SPO^SPOUSE||||NK^NEXT OF KIN
PV1|1|I|2000^2012^01||||004777^ATTEND^AARON^A|||SUR||||7|A0|
"""  # noqa: E501 - as the standard has it
MERGE = """\
MSH|^~\\&|REGADT|MCM|RSP1P8|MCM|200301051530|SEC|ADT^A40^ADT_A39|00000003|P|2.5.1
EVN|A40|200301051530
PID|||MR1^^^XYZ||EVERYWOMAN^EVE||19501010|F|||123 NORTH 102ND STREET^APT 4D^HARRISBURG^PA^17102^USA^L
MRG|MR2^^^XYZ
"""
RESULT = """\
MSH|^~\\&|GHH LAB|ELAB-3|GHH OE|BLDG4|200202150930||ORU^R01^ORU_R01|CNTRL-3456|P|2.5.1
PID|||555-44-4444||EVERYWOMAN^EVE^E^^^^L|JONES|19620320|F|||153 FERNWOOD DR.^^STATESVILLE^OH^35292||(206)3345232
OBR|1|845439^GHH OE|1045813^GHH LAB|15545^GLUCOSE|||200202150730|||||||||555-55-5555^PRIMARY^PATRICIA P^^^^MD^^|||||||||F
OBX|1|SN|1554-5^GLUCOSE^POST 12H CFST:MCNC:PT:SER/PLAS:QN||^182|mg/dl|70_105|H|||F
"""  # noqa: E501 - as the standard has it
EVERY = (ADMISSION, MERGE, RESULT)


def bytes_of(text):
    return text.replace("\n", "\r").encode("ascii")


@pytest.mark.published("HL7 v2.5.1 chapter 3, example of A01 (from memory)")
def test_the_admission_says_who_it_is():
    (one,) = admissions(read(bytes_of(ADMISSION)), SYSTEMS, ZONE)
    assert one.person.identifiers == [
        Identifier("https://good-health.example.org/patients", "PATID1234", "MR"),
        Identifier("urn:x", "123456789", "SS"),
    ]
    told = one.person.elements
    assert told["name"] == [{"family": "EVERYMAN", "given": ["ADAM", "A"], "suffix": ["III"]}]
    assert (told["birthDate"], told["gender"]) == ("1961-06-15", "male")
    assert told["address"][0]["postalCode"] == "27401-1020"
    assert [(one["value"], one["use"]) for one in told["telecom"]] == [
        ("(555) 555-2004", "home"),
        ("(555)555-2004", "work"),
    ]


@pytest.mark.published("HL7 v2.5.1 chapter 3, example of A40 (from memory)")
def test_the_merge_says_who_survives():
    (one,) = admissions(read(bytes_of(MERGE)), SYSTEMS, ZONE)
    assert one.event == "A40"
    assert [each.value for each in (*one.person.identifiers, *one.other)] == ["MR1", "MR2"]


@pytest.mark.published("HL7 v2.5.1 chapter 7, example of ORU^R01 (from memory)")
def test_the_result_is_in_its_fields():
    message = read(bytes_of(RESULT))
    (obx,) = message.all("OBX")
    assert (obx.text(2), obx.text(3), obx.text(3, 2)) == ("SN", "1554-5", "GLUCOSE")
    assert (obx.text(5, 2), obx.text(6), obx.text(7), obx.text(11)) == ("182", "mg/dl", "70_105", "F")


@pytest.mark.published("hl7apy 1.3.5: fields of messages")
@pytest.mark.parametrize("text", EVERY)
def test_another_library_finds_the_same_in_every_field(text):
    theirs = hl7apy.parser.parse_message(text.replace("\n", "\r"), find_groups=False)
    for mine, other in zip(read(bytes_of(text)).segments[1:], theirs.children[1:], strict=True):
        assert mine.name == other.name
        for field in other.children:
            number = int(field.name.partition("_")[2])
            values = [components.to_er7() for components in other.children.get(field.name)]
            assert [_text(one) for one in mine.field(number)] == [one.rstrip("^") for one in values if one]


def _text(repetition):
    texts = (
        "&".join(part(repetition, at, sub) for sub in range(1, len(parts) + 1))
        for at, parts in enumerate(repetition, 1)
    )
    return "^".join(texts).rstrip("^")


@pytest.mark.published("HL7 v2.5.1 chapter 2A, TS and DTM (from memory)")
@pytest.mark.parametrize(
    ("stamp", "fhir"),
    [
        ("1976", "1976"),
        ("197607", "1976-07"),
        ("19760704", "1976-07-04"),
        ("19760704010159-0500", "1976-07-04T01:01:59-05:00"),
        ("198804062315+0000", "1988-04-06T23:15:00+00:00"),
        ("20010315175959.1234+0100", "2001-03-15T17:59:59.123400+01:00"),
    ],
)
def test_times_keep_their_precision_and_their_zone(stamp, fhir):
    assert fhir_time(stamp, ZONE) == fhir
    back = time_stamp(fhir)
    assert back == (stamp if len(stamp) != 17 else stamp[:12] + "00" + stamp[12:])


@pytest.mark.parametrize(
    "stamp", ["", "19", "19761301", "19760230", "1976070425", "19760704010159-9900", "now"]
)
def test_what_is_no_time_is_refused(stamp):
    with pytest.raises(ValueError):  # noqa: PT011 - each says something else
        fhir_time(stamp, ZONE)


def test_a_time_without_an_offset_is_one_of_the_site():
    assert fhir_time("20260704101500", ZONE) == "2026-07-04T10:15:00-04:00"
