"""Whether the service runs, and whether it can serve; open, and and without anything about anybody."""

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from service.rest.call import services_of

__all__ = ["live", "ready"]


async def live(_request: Request) -> Response:
    """The process answers."""
    return JSONResponse({"status": "live"})


async def ready(request: Request) -> Response:
    """All that its work needs answers too; what does not becomes the usual 503."""
    services = services_of(request)
    await services.readiness.check(services.store, services.settings)
    return JSONResponse({"status": "ready"})
