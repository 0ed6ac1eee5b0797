"""The service without its audit trail, for which the program has no switch: the baseline of auditing.

``python -m tests.bench.unaudited serve …``, as the command.
"""

from starlette.types import ASGIApp

import service.app
from service.cli import main


def _unaudited(app: ASGIApp, **_options: object) -> ASGIApp:
    return app


if __name__ == "__main__":
    service.app.Audited = _unaudited  # type: ignore[assignment,misc]
    main()
