"""The profiles, security labels and tags in use, as one SQL statement over the search tables."""

from collections.abc import Iterable, Sequence
from typing import Any

from service.store.contract import Label
from service.store.search_match import Statement, marks, named

__all__ = ["labels_in_use", "labels_of"]

_CODED = ("Resource._security", "Resource._tag")
_PROFILE = ("Resource._profile",)


def labels_in_use(types: Sequence[str]) -> Statement:
    """The statement whose rows are index, system and code (or profile) of each label of these types.

    It reads every key there is, as keys are filed by patient first.
    """
    coded, coded_words = named(_CODED)
    profiles, profile_words = named(_PROFILE)
    of_types = f"JOIN current c ON c.key = k.key AND c.type IN ({marks(types)})"
    sql = (
        f"SELECT DISTINCT n.text, s.text, k.code FROM token k {of_types} JOIN word n ON n.key = k.name "
        f"LEFT JOIN word s ON s.key = k.system WHERE {coded} UNION "
        f"SELECT DISTINCT n.text, NULL, k.value FROM uri k {of_types} JOIN word n ON n.key = k.name "
        f"WHERE {profiles}"
    )
    return sql, [*types, *coded_words, *types, *profile_words]


def labels_of(rows: Iterable[Sequence[Any]]) -> set[Label]:
    """Answer the labels of the statement's rows."""
    return {Label(index.removeprefix("Resource._"), system or "", code) for index, system, code in rows}
