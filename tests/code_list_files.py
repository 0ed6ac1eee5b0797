"""Small invented code lists, written in the layouts their owners publish; no code or name is theirs."""

import csv
import json
import tarfile
from io import BytesIO
from pathlib import Path

CORE = "900000000000207008"
FULL_NAME, SYNONYM = "900000000000003001", "900000000000013009"
IS_A, INFERRED = "116680003", "900000000000011006"
US_ENGLISH, PREFERRED = "900000000000509007", "900000000000548007"
CONCEPTS = ("100001", "100002", "100003", "100004", "100005")
PARENTS = (("100002", "100001"), ("100003", "100002"), ("100004", "100001"), ("100003", "100004"))
NAMES = {
    "100001": ("Invented act (act)", "Invented act"),
    "100002": ("Slow sip of invented tea (act)", "Slow sip"),
    "100003": ("Slow sip held in the cheek (act)", "Held sip"),
    "100004": ("Loud sip (act)", "Loud sip"),
    "100005": ("Retired invented act (act)", "Retired act"),
}
LOINC_FIELDS = (
    *("LOINC_NUM", "COMPONENT", "PROPERTY", "TIME_ASPCT", "SYSTEM", "SCALE_TYP", "METHOD_TYP", "CLASS"),
    *(
        "VersionLastChanged",
        "STATUS",
        "CLASSTYPE",
        "SHORTNAME",
        "ORDER_OBS",
        "LONG_COMMON_NAME",
        "DisplayName",
    ),
)
ORDER = (
    ("A00", "0", "Invented tea disease"),
    ("A000", "1", "Invented tea disease, hot"),
    ("A001", "0", "Invented tea disease, cold"),
    ("A0011", "1", "Invented tea disease, cold, iced"),
    ("B00", "1", "Invented coffee disease"),
)
PACKAGE_SYSTEM = {
    "resourceType": "CodeSystem",
    "url": "https://lists.example.org/cups",
    "version": "3",
    "status": "active",
    "content": "complete",
    "caseSensitive": True,
    "concept": [
        {"code": "cup", "display": "Cup", "concept": [{"code": "mug", "display": "Mug"}]},
        {"code": "jar", "display": "Jar", "property": [{"code": "inactive", "valueBoolean": True}]},
    ],
}
PACKAGE_SET = {
    "resourceType": "ValueSet",
    "url": "https://lists.example.org/handles",
    "version": "3",
    "status": "active",
    "compose": {
        "include": [
            {
                "system": PACKAGE_SYSTEM["url"],
                "filter": [{"property": "concept", "op": "is-a", "value": "cup"}],
            }
        ]
    },
}


def snomed(folder: Path, *, time: str = "20260101", module: str = CORE, language: bool = True) -> list[Path]:
    """Concept, description, relationship and language files of a snapshot (RF2)."""
    head = "id\teffectiveTime\tactive\tmoduleId\t"
    concepts = [f"{code}\t{time}\t{int(code != '100005')}\t{module}\t900000000000074008" for code in CONCEPTS]
    described, preferred = [], []
    for number, (code, names) in enumerate(NAMES.items(), 1):
        for kind, (type_, term) in enumerate(zip((FULL_NAME, SYNONYM), names, strict=True)):
            id_ = f"20000{number}{kind}"
            described.append(f"{id_}\t{time}\t1\t{module}\t{code}\ten\t{type_}\t{term}\t900000000000448009")
            preferred.append(f"uuid-{id_}\t{time}\t1\t{module}\t{US_ENGLISH}\t{id_}\t{PREFERRED}")
    described.append(f"2999\t{time}\t0\t{module}\t100001\ten\t{SYNONYM}\tWithdrawn\t900000000000448009")
    related = [
        f"30000{number}\t{time}\t1\t{module}\t{lower}\t{upper}\t0\t{IS_A}\t{INFERRED}\t900000000000451002"
        for number, (lower, upper) in enumerate(PARENTS)
    ]
    related.append(f"39\t{time}\t0\t{module}\t100005\t100001\t0\t{IS_A}\t{INFERRED}\t900000000000451002")
    related.append(f"38\t{time}\t1\t{module}\t100001\t100005\t0\t42752001\t{INFERRED}\t900000000000451002")
    files = {
        f"sct2_Concept_Snapshot_INT_{time}.txt": [f"{head}definitionStatusId", *concepts],
        f"sct2_Description_Snapshot-en_INT_{time}.txt": [
            f"{head}conceptId\tlanguageCode\ttypeId\tterm\tcaseSignificanceId",
            *described,
        ],
        f"sct2_Relationship_Snapshot_INT_{time}.txt": [
            f"{head}sourceId\tdestinationId\trelationshipGroup\ttypeId\tcharacteristicTypeId\tmodifierId",
            *related,
        ],
    }
    if language:
        files[f"der2_cRefset_LanguageSnapshot-en_INT_{time}.txt"] = [
            f"{head}refsetId\treferencedComponentId\tacceptabilityId",
            *preferred,
        ]
    return [_written(folder / name, "\r\n".join(rows) + "\r\n") for name, rows in files.items()]


def loinc(folder: Path) -> Path:
    """The table of LOINC codes."""
    path = folder / "Loinc.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, quoting=csv.QUOTE_ALL)
        writer.writerow(LOINC_FIELDS)
        axes = ("Len", "Pt", "Tea cup", "Qn", "", "TEA")
        writer.writerow(
            ["90001-1", "Rim", *axes, "2.70", "ACTIVE", "2", "Rim len", "Both", 'Rim of a "tea" cup', "Rim"]
        )
        writer.writerow(
            ["90002-9", "Handle", *axes, "2.8", "DEPRECATED", "2", "Hdl", "Both", "Handle of a tea cup", ""]
        )
    return path


def icd_10_cm(folder: Path, name: str = "icd10cm-order-2026.txt") -> Path:
    """The order file."""
    rows = [
        f"{number:05} {code:<7} {leaf} {text[:60]:<60} {text}"
        for number, (code, leaf, text) in enumerate(ORDER, 1)
    ]
    return _written(folder / name, "\r\n".join(rows) + "\r\n")


def package(folder: Path, *trees: dict, name: str = "lists.cups") -> Path:
    """A package of FHIR resources."""
    path = folder / f"{name}.tgz"
    contents = {"package.json": {"name": name, "version": "3"}}
    contents |= {f"{place}.json": tree for place, tree in enumerate(trees or (PACKAGE_SYSTEM, PACKAGE_SET))}
    with tarfile.open(path, "w:gz") as archive:
        for inner, tree in contents.items():
            text = json.dumps(tree).encode()
            member = tarfile.TarInfo(f"package/{inner}")
            member.size = len(text)
            archive.addfile(member, BytesIO(text))
    return path


def _written(path: Path, text: str) -> Path:
    path.write_bytes(text.encode())
    return path
