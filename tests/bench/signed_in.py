"""The whole service over a store, asked in-process by somebody signed in."""

import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import httpx

from service.app import create_app
from service.security.development_issuer import DevelopmentIssuer
from tests.bench.people import Bench

__all__ = ["ME", "signed_in"]

ME = "Practitioner/bench"


@asynccontextmanager
async def signed_in(place: Bench) -> AsyncIterator[httpx.AsyncClient]:
    """A client that may read everything."""
    issuer = DevelopmentIssuer(place.settings.data_dir)
    token = issuer.sign("bench", "user/*.rs", now=time.time(), fhir_user=ME)
    open_to_all = {"development_issuer": True, "clinician_reach": "everybody"}
    app = create_app(place.settings.model_copy(update=open_to_all), place.store)
    client = httpx.AsyncClient(
        transport=httpx.ASGITransport(app),
        base_url="http://127.0.0.1",
        headers={"Authorization": f"Bearer {token}", "Origin": "http://127.0.0.1"},
    )
    async with app.router.lifespan_context(app), client:
        yield client
