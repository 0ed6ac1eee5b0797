"""The floor under a read over HTTP: Starlette and ``sqlite3`` answering the stored bytes, and nothing else.

Served by uvicorn as it comes, with its faster reader and loop: our own way of reading and writing HTTP is
part of what is measured.

``python -m tests.bench.bare_app DATABASE``
"""

import sys
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from service.cli.serve import listening
from tests.bench.floor import BareStore


def application(database: Path) -> Starlette:
    """A read, the first page of a patient's resources, and one address that says it is there."""
    store = BareStore(database)

    async def read(request: Request) -> Response:
        return Response(store.read(**request.path_params), media_type="application/fhir+json")

    async def page(request: Request) -> Response:
        given = request.query_params
        rows = store.page(request.path_params["type_"], given["patient"], int(given["_count"]))
        entries = b",".join(
            b'{"fullUrl":"%s","resource":%s}' % (id_.encode(), content) for id_, content in rows
        )
        text = b'{"resourceType":"Bundle","type":"searchset","entry":[%s]}' % entries
        return Response(text, media_type="application/fhir+json")

    async def ready(_request: Request) -> Response:
        return Response("{}")

    return Starlette(
        routes=[
            Route("/fhir/{type_}/{id_}", read),
            Route("/fhir/{type_}", page),
            Route("/health/ready", ready),
        ]
    )


def main() -> None:
    """Serve on a free port."""
    listener = listening("127.0.0.1", 0)
    print(f"Serving on http://127.0.0.1:{listener.getsockname()[1]}", flush=True)
    app = application(Path(sys.argv[1]))
    config = uvicorn.Config(
        app,
        http="httptools",
        loop="uvloop",
        ws="none",
        access_log=False,
        log_level="warning",
        proxy_headers=False,
        server_header=False,
    )
    uvicorn.Server(config).run(sockets=[listener])


if __name__ == "__main__":
    main()
