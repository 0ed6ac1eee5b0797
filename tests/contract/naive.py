"""A naive model of versions, conditions and searches: lists and loops, nothing of the service's own code."""

import unicodedata
from datetime import date, timedelta

PREFIXES = ("", "eq", "ne", "gt", "lt", "ge", "le", "sa", "eb")


class Model:
    """Every version of every resource, oldest first; a deletion is None."""

    def __init__(self) -> None:
        self.versions: dict[tuple[str, str], list[dict | None]] = {}

    def current(self, type_: str) -> dict[str, dict]:
        """Id -> resource of a type."""
        return {
            id_: versions[-1]
            for (kind, id_), versions in self.versions.items()
            if kind == type_ and versions[-1] is not None
        }

    def newest(self, type_: str, id_: str) -> dict | None:
        return self.versions.get((type_, id_), [None])[-1]

    def write(self, type_: str, id_: str, tree: dict) -> str:
        """Store unless it says what is stored already; answer the outcome."""
        newest = self.newest(type_, id_)
        if newest == tree:
            return "unchanged"
        self.versions.setdefault((type_, id_), []).append(tree)
        return "created" if newest is None else "updated"

    def delete(self, type_: str, id_: str) -> None:
        if self.newest(type_, id_) is not None:
            self.versions[type_, id_].append(None)

    def identified(self, value: str) -> list[str]:
        """Ids of the patients with this number."""
        return [
            id_ for id_, tree in self.current("Patient").items() if tree["identifier"][0]["value"] == value
        ]

    def copy(self) -> "Model":
        other = Model()
        other.versions = {key: list(versions) for key, versions in self.versions.items()}
        return other

    def search(self, type_: str, asked: list[tuple[str, str]]) -> set[str]:
        """Ids of a type for which every parameter holds; a comma separates alternatives."""
        return {
            id_
            for id_, tree in self.current(type_).items()
            if all(
                any(self._holds(id_, tree, name, value) for value in values.split(","))
                for name, values in asked
            )
        }

    def _holds(self, id_: str, tree: dict, name: str, value: str) -> bool:
        if name in ("birthdate", "date"):
            return _day(tree.get("birthDate") or tree.get("effectiveDateTime"), value)
        if name == "code":
            coding = tree["code"]["coding"][0]
            return value in (coding["code"], f"{coding['system']}|{coding['code']}", f"{coding['system']}|")
        if name == "identifier":
            one = tree["identifier"][0]
            return value in (one["value"], f"{one['system']}|{one['value']}")
        return {
            "_id": lambda: id_ == value,
            "patient": lambda: tree["subject"]["reference"] == f"Patient/{value.removeprefix('Patient/')}",
            "gender": lambda: tree.get("gender") == value,
            "status": lambda: tree["status"] == value,
            "family": lambda: _folded(tree["name"][0]["family"]).startswith(_folded(value)),
            "family:exact": lambda: tree["name"][0]["family"] == value,
            "family:contains": lambda: _folded(value) in _folded(tree["name"][0]["family"]),
        }[name]()


def _folded(text: str) -> str:
    plain = unicodedata.normalize("NFKD", text.casefold())
    return "".join(sign for sign in plain if not unicodedata.combining(sign))


def _span(text: str) -> tuple[date, date]:
    """The first day of a day or month, and the first day after it."""
    if len(text) == 10:
        day = date.fromisoformat(text)
        return day, day + timedelta(days=1)
    first = date.fromisoformat(f"{text}-01")
    return first, (first + timedelta(days=32)).replace(day=1)


def _day(held: str | None, asked: str) -> bool:
    """FHIR R4 search.html, prefixes: what each says of the span asked for and the span held."""
    if held is None:
        return False
    prefix = asked[:2] if asked[:2].isalpha() else "eq"
    low, high = _span(held)
    first, last = _span(asked.removeprefix(prefix))
    inside = first <= low and high <= last
    return {
        "eq": inside,
        "ne": not inside,
        "gt": high > last,
        "lt": low < first,
        "ge": high > last or inside,
        "le": low < first or inside,
        "sa": low >= last,
        "eb": high <= first,
    }[prefix]
