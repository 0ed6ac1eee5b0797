"""Finding here whom a hospital's record speaks of: the person it opens, and who signed in.

Both are found by business identifiers of the systems that the settings name. What the record answers is used
for that and not kept.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import msgspec
from starlette.requests import Request
from starlette.responses import Response

from service.errors import Forbidden, IssuerUnreachable
from service.fhir.references import local_target
from service.fhir.search_parameters import parameters
from service.fhir.search_query import Clause, TokenValue
from service.page.rendering import html
from service.page.wanted import FIRST
from service.security.code_flow import Proven
from service.security.principal import Principal
from service.security.provider_metadata import Remote
from service.security.providers import Provider
from service.security.scopes import Scopes
from service.store.contract import Query, Store

__all__ = ["HospitalRecord", "Stores"]

Stores = Callable[[Request, Principal], Store]
"""What is stored, as far as a request's caller reaches."""


class _Identifier(msgspec.Struct):
    system: str = ""
    value: str = ""
    use: str = ""


class _Identified(msgspec.Struct):
    kind: str = msgspec.field(name="resourceType")
    id: str = ""
    identifier: list[_Identifier] = []


@dataclass(frozen=True, slots=True)
class HospitalRecord:
    """``remote`` asks the record, ``stores`` answers what is here, ``base`` is our FHIR base."""

    remote: Remote
    stores: Stores
    base: str

    async def practitioner(self, request: Request, provider: Provider, proven: Proven, scopes: str) -> str:
        """Answer the reference of who signed in; Forbidden if there is no one such Practitioner here.

        Empty where the settings ask for no claim.
        """
        if not provider.person_claim:
            return ""
        said = proven.claims.get(provider.person_claim)
        store = self.stores(request, _as(scopes))
        found = await self._staff(store, provider, proven, said) if isinstance(said, str) and said else []
        if len(found) != 1:
            raise Forbidden(
                f"'{provider.name}' signed you in, but {'nobody' if not found else 'more than one person'} "
                "on the staff here is the one it names. Tell who runs this service."
            )
        return f"Practitioner/{found[0]}"

    async def shown(
        self, request: Request, provider: Provider, proven: Proven, principal: Principal, to: str
    ) -> Response:
        """Answer a page that leads on to the person whom the record shows, or says why there is none.

        Where it shows none it leads ``to`` the page that was asked for.
        """
        if not proven.patient:
            where = "your patients" if to == FIRST else "the page you asked for"
            return html("passage.html", title="Signed in", to=to, where=where)
        values = await self._identifiers(
            provider, proven, f"Patient/{proven.patient}", provider.patient_systems
        )
        found = await _found(self.stores(request, principal), "Patient", values)
        if len(found) == 1:
            return html("passage.html", title="Signed in", to=f"/app/patients/{found[0]}", where="their page")
        return html("not_found_here.html", status=404, several=bool(found), caller=principal.called)

    async def _staff(self, store: Store, provider: Provider, proven: Proven, said: str) -> list[str]:
        systems = provider.person_systems
        if not systems:
            id_ = _id("Practitioner", said, self.base)
            version = await store.read("Practitioner", id_) if id_ else None
            return [id_] if version and not version.deleted else []
        if provider.fhir and (id_ := _id("Practitioner", said, provider.fhir.rstrip("/"))):
            values = await self._identifiers(provider, proven, f"Practitioner/{id_}", systems)
        else:
            values = tuple(TokenValue(system, said) for system in systems)
        return await _found(store, "Practitioner", values)

    async def _identifiers(
        self, provider: Provider, proven: Proven, what: str, systems: tuple[str, ...]
    ) -> tuple[TokenValue, ...]:
        """The identifiers of a resource of the record that count here."""
        try:
            text = await self.remote.get(f"{provider.fhir.rstrip('/')}/{what}", proven.access_token)
            read = msgspec.json.decode(text, type=_Identified)
        except (IssuerUnreachable, ValueError):
            raise IssuerUnreachable(
                f"'{provider.name}' does not tell whom it means; open the page from there again."
            ) from None
        if f"{read.kind}/{read.id}" != what:
            return ()
        return tuple(_told(read.identifier, systems))


def _told(identifiers: Iterable[_Identifier], systems: tuple[str, ...]) -> Iterable[TokenValue]:
    for one in identifiers:
        if one.value and one.system in systems and one.use != "old":
            yield TokenValue(one.system, one.value)


async def _found(store: Store, type_: str, values: tuple[Any, ...]) -> list[str]:
    """The ids of who has any of these identifiers: none, one, or two for several."""
    if not values:
        return []
    known = parameters(type_)["identifier"]
    clause = Clause(known.indexes, "token", values, wide=known.wide)
    page = await store.search(Query(type_, (clause,), count=2, total="none"))
    return [version.id for version in page.versions]


def _id(type_: str, reference: str, base: str) -> str:
    target = local_target(reference, base)
    return target.removeprefix(f"{type_}/") if target.startswith(f"{type_}/") else ""


def _as(scopes: str) -> Principal:
    """Somebody with a role, before it is known who."""
    return Principal(subject="", issuer="", scopes=Scopes.parse(scopes), fhir_user="", expires=0)
