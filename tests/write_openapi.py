"""Write ``openapi/`` anew: what the application serves, and the visit record's JSON Schema."""

import json
from pathlib import Path

from service.app import create_app
from service.records.schema import visit_record_schema
from service.settings import Settings

FOLDER = Path(__file__).parent.parent / "openapi"


def main() -> None:
    for name, document in (
        ("openapi.json", create_app(Settings()).openapi()),
        ("visit-record.schema.json", visit_record_schema()),
    ):
        text = json.dumps(document, indent=2, ensure_ascii=False) + "\n"
        (FOLDER / name).write_text(text, "utf-8")


if __name__ == "__main__":
    main()
