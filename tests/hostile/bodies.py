"""Bodies that are broken, or made to cost far more than they weigh."""

import json

PATIENT = {"resourceType": "Patient", "name": [{"family": "Hostile"}]}
JSON = "application/fhir+json"
XML = "application/fhir+xml"
JSON_PATCH = "application/json-patch+json"
_NS = 'xmlns="http://hl7.org/fhir"'


def _patient(family: str) -> bytes:
    return b'{"resourceType":"Patient","name":[{"family":' + family.encode() + b"}]}"


def _observation(value: str) -> bytes:
    return (
        b'{"resourceType":"Observation","status":"final","code":{"text":"x"},'
        b'"valueQuantity":{"value":' + value.encode() + b"}}"
    )


REFUSED = {
    "nothing": b"",
    "blank": b" \n\t ",
    "truncated": b'{"resourceType":"Patient","name":[{"fam',
    "only a bracket": b"[",
    "a list": b"[]",
    "a number": b"42",
    "null": b"null",
    "trailing comma": b'{"resourceType":"Patient",}',
    "two values": b'{"resourceType":"Patient"}{"resourceType":"Patient"}',
    "two values of one choice": _patient('"x"')[:-1] + b',"deceasedBoolean":true,"deceasedDateTime":"2026"}',
    "doubled key": b'{"resourceType":"Patient","active":true,"active":false}',
    "comment": b'{"resourceType":"Patient" /* hello */}',
    "single quotes": b"{'resourceType':'Patient'}",
    "not a number": _observation("NaN"),
    "infinity": _observation("-Infinity"),
    "hexadecimal": _observation("0x10"),
    "leading zeros": _observation("007"),
    "lone surrogate": _patient('"\\ud800"'),
    "null character": _patient('"a\\u0000b"'),
    "control character": b'{"resourceType":"Patient","name":[{"family":"a\x01b"}]}',
    "invalid UTF-8": b'{"resourceType":"Patient","name":[{"family":"\xff\xfe"}]}',
    "overlong UTF-8": b'{"resourceType":"Patient","name":[{"family":"\xc0\xaf"}]}',
    "UTF-16": json.dumps(PATIENT).encode("utf-16"),
    "100,000 lists": b'{"resourceType":"Patient","name":' + b"[" * 100_000 + b"]" * 100_000 + b"}",
    "100,000 objects": b'{"a":' * 100_000 + b"1" + b"}" * 100_000,
    "100,000 extensions": b'{"resourceType":"Patient","extension":[{"url":"urn:x","extension":[' * 70_000,
    "a string that never ends": b'{"resourceType":"' + b"a" * 1_000_000,
    "a million quotes": b'"' * 1_000_000,
    "a million backslashes": b'{"resourceType":"' + b"\\" * 1_000_001 + b'"}',
    "an unknown type": b'{"resourceType":"' + b"P" * 100_000 + b'"}',
    "100,000 unknown members": json.dumps({**PATIENT, **{f"x{i}": i for i in range(100_000)}}).encode(),
    "20,000 doubled members": b"{" + b",".join([b'"active":true'] * 20_000) + b"}",
    "a number for a string": _patient("1e400"),
    "too large": b'{"resourceType":"Patient","name":[{"family":"' + b"a" * 6_000_000 + b'"}]}',
}
"""Each must be refused, as a Patient or an Observation."""

BORNE = {
    "a million digits": _observation("1" * 1_000_000),
    "a million decimals": _observation("0." + "1" * 1_000_000),
    "a huge exponent": _observation("1e999999999"),
    "a tiny exponent": _observation("1e-999999999"),
    "a long exponent": _observation("1e" + "9" * 10_000),
    "a string of a megabyte": _patient('"' + "a" * 1_000_000 + '"'),
    "a megabyte of accents": _patient('"' + "a\\u0301" * 140_000 + '"'),
    "20,000 names": json.dumps({**PATIENT, "name": [{"family": f"n{i}"} for i in range(20_000)]}).encode(),
    "20,000 identifiers": json.dumps(
        {**PATIENT, "identifier": [{"system": "urn:x", "value": str(i)} for i in range(20_000)]}
    ).encode(),
    "a far date": b'{"resourceType":"Patient","birthDate":"9999-12-31"}',
    "the first year": b'{"resourceType":"Patient","birthDate":"0001"}',
}
"""Each may be taken or refused."""


def bundle(type_: str, entries: list[dict]) -> bytes:
    return json.dumps({"resourceType": "Bundle", "type": type_, "entry": entries}).encode()


def _post(number: int, reference: int) -> dict:
    patient = {
        "resourceType": "Patient",
        "link": [{"other": {"reference": _urn(reference)}, "type": "seealso"}],
    }
    return {"fullUrl": _urn(number), "resource": patient, "request": {"method": "POST", "url": "Patient"}}


def _urn(number: int) -> str:
    return f"urn:uuid:00000000-0000-4000-8000-{number:012d}"


_GET = {"request": {"method": "GET", "url": "Patient?name:contains=a"}}
BUNDLES_REFUSED = {
    "10,000 transaction entries": bundle("transaction", [_post(i, i) for i in range(10_000)]),
    "10,000 batch entries": bundle("batch", [_GET] * 10_000),
    "entries that are none": bundle("transaction", [1, None, "x", [], {}]),
    "entry is an object": b'{"resourceType":"Bundle","type":"batch","entry":{"request":{}}}',
    "a Bundle in a Bundle, 500 deep": b'{"resourceType":"Bundle","type":"batch","entry":[{"resource":' * 500,
    "an address elsewhere": bundle(
        "transaction", [{"request": {"method": "GET", "url": "http://elsewhere.example/Patient/1"}}]
    ),
    "a climbing address": bundle("transaction", [{"request": {"method": "GET", "url": "Patient/../../x"}}]),
    "a method of its own": bundle("transaction", [{"request": {"method": "TRACE", "url": "Patient/1"}}]),
}
BUNDLES_BORNE = {
    "a ring of 1,000 references": bundle("transaction", [_post(i, (i + 1) % 1_000) for i in range(1_000)]),
    "an address of a megabyte": bundle(
        "transaction", [{"request": {"method": "GET", "url": "Patient?name=" + "a" * 1_000_000}}]
    ),
    "500 searches": bundle("batch", [_GET] * 500),
}

XML_REFUSED = {
    "nothing": b"",
    "truncated": f"<Patient {_NS}><name>".encode(),
    "no namespace": b"<Patient/>",
    "another namespace": b'<Patient xmlns="urn:x"/>',
    "an external entity": (
        f'<!DOCTYPE Patient [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
        f'<Patient {_NS}><name><family value="&x;"/></name></Patient>'
    ).encode(),
    "an external document type": (
        f'<!DOCTYPE Patient SYSTEM "http://127.0.0.1:1/x.dtd"><Patient {_NS}><active value="true"/></Patient>'
    ).encode(),
    "an entity bomb": (
        "<!DOCTYPE Patient [<!ENTITY a0 'aaaaaaaaaa'>"
        + "".join(f"<!ENTITY a{i} '{f'&a{i - 1};' * 10}'>" for i in range(1, 10))
        + f']><Patient {_NS}><name><family value="&a9;"/></name></Patient>'
    ).encode(),
    "a parameter entity": (
        f'<!DOCTYPE x [<!ENTITY % p SYSTEM "http://127.0.0.1:1/x">%p;]><Patient {_NS}/>'
    ).encode(),
    "100,000 elements deep": f"<Patient {_NS}>".encode() + b"<name>" * 100_000 + b"</name>" * 100_000,
    "invalid UTF-8": f'<Patient {_NS}><name><family value="'.encode() + b'\xff\xfe"/></name></Patient>',
    "a forbidden character": f'<Patient {_NS}><name><family value="&#1;"/></name></Patient>'.encode(),
    "100,000 attributes": (
        f"<Patient {_NS} ".encode() + b" ".join(b'a%d="x"' % i for i in range(100_000)) + b"/>"
    ),
    "an unknown encoding": f'<?xml version="1.0" encoding="x-none"?><Patient {_NS}/>'.encode(),
    "JSON": json.dumps(PATIENT).encode(),
    "an unknown element": f'<Patient {_NS}><nothing value="1"/></Patient>'.encode(),
}

_DOUBLE = [{"op": "copy", "from": "/name", "path": "/name/-"}]
JSON_PATCHES_REFUSED = {
    "no list": b"{}",
    "operations that are none": b"[1,null,[],{}]",
    "an unknown operation": b'[{"op":"explode","path":"/name"}]',
    "no such place": b'[{"op":"replace","path":"/nothing/there","value":1}]',
    "a broken escape": b'[{"op":"remove","path":"/name~2"}]',
    "a negative place": b'[{"op":"remove","path":"/name/-1"}]',
    "a huge place": b'[{"op":"add","path":"/name/99999999999999999999","value":{}}]',
    "another id": b'[{"op":"replace","path":"/id","value":"other"}]',
    "another type": b'[{"op":"replace","path":"/resourceType","value":"Group"}]',
    "the whole": b'[{"op":"replace","path":"","value":[]}]',
    "a move into itself": b'[{"op":"move","from":"/name","path":"/name/0/x"}]',
    "doubled 40 times": json.dumps(
        [{"op": "copy", "from": "/name/0", "path": "/name/0/extension"}] * 40
    ).encode(),
    "names within names": json.dumps(_DOUBLE * 60).encode(),
    "10,000 levels of path": json.dumps([{"op": "test", "path": "/name" * 10_000, "value": 1}]).encode(),
}


def fhirpath_patch(path: str) -> bytes:
    parts = [
        {"name": "type", "valueCode": "delete"},
        {"name": "path", "valueString": path},
    ]
    return json.dumps(
        {"resourceType": "Parameters", "parameter": [{"name": "operation", "part": parts}]}
    ).encode()


FHIRPATH_PATCHES_REFUSED = {
    "no path": fhirpath_patch(""),
    "an unknown function": fhirpath_patch("Patient.name.explode()"),
    "a broken expression": fhirpath_patch("Patient.name[[[["),
    "10,000 brackets": fhirpath_patch("(" * 10_000 + "Patient" + ")" * 10_000),
    "10,000 steps": fhirpath_patch("Patient" + ".name" * 10_000),
    "everything below everything": fhirpath_patch("Patient" + ".descendants()" * 50),
    "without end": fhirpath_patch("Patient.repeat($this | name)"),
    "a costly pattern": fhirpath_patch("Patient.name.where(family.matches('^(a+)+$'))"),
}
FHIRPATH_PATCHES_BORNE = {
    "no operation": b'{"resourceType":"Parameters"}',
    "nothing to delete": fhirpath_patch("Observation.status"),
    "nothing 1,000 steps down": fhirpath_patch("Patient" + ".contact" * 1_000),
}
