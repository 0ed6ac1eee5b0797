"""Whether the service runs, and whether it can serve; open, and without any detail."""

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from service.rest.call import services_of
from service.store.contract import Query

__all__ = ["live", "ready"]


async def live(_request: Request) -> Response:
    """The process answers."""
    return JSONResponse({"status": "live"})


async def ready(request: Request) -> Response:
    """The store answers too; an error of it becomes the usual 503."""
    await services_of(request).store.search(Query("Patient", count=0, total="none"))
    return JSONResponse({"status": "ready"})
