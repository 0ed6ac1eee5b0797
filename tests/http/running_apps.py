"""Applications as a server runs them, at a fixed moment."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime

from fastapi import FastAPI

NOW = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)


@asynccontextmanager
async def running(app: FastAPI) -> AsyncIterator[FastAPI]:
    """Start and stop the application as a server would."""
    async with app.router.lifespan_context(app):
        yield app
