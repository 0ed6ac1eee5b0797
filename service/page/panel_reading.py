"""What the rows of the list are made of: what anybody may see who sees the person at all.

One row is shown to everybody on whose list a person stands, so it can't be made for each of them: what a
label of confidentiality restricts is left out for all.
"""

from dataclasses import replace

from service.fhir.confidentiality import is_labelled
from service.store.contract import Page, Query, Store, Version
from service.store.passing import PassingStore

__all__ = ["Unlabelled"]


class Unlabelled(PassingStore):
    """The Store of the contract; a search leaves out what a label restricts, and its total counts it."""

    def __init__(self, store: Store) -> None:
        """Nothing was left out yet."""
        super().__init__(store)
        self.left_out = False

    async def search(self, query: Query) -> Page:
        """See the contract."""
        page = await super().search(query)
        open_ = tuple(one for one in page.versions if not _restricted(one))
        self.left_out = self.left_out or len(open_) < len(page.versions)
        return replace(page, versions=open_)


def _restricted(version: Version) -> bool:
    """Whether a row may not be made of it; a team says whose list it is on, and is not shown."""
    return version.type != "CareTeam" and version.labelled and is_labelled(version.content)
