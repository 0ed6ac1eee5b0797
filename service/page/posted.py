"""The fields of a posted form."""

from urllib.parse import parse_qs

from starlette.requests import Request

from service.errors import TooLarge

__all__ = ["posted"]


async def posted(request: Request, *, longest: int) -> dict[str, str]:
    """Read a form of at most ``longest`` bytes; of a field that repeats the first counts."""
    body = bytearray()
    async for part in request.stream():
        body += part
        if len(body) > longest:
            raise TooLarge(f"The form is too long: {longest:,} bytes at most.")
    fields = parse_qs(body.decode("utf-8", "replace"), keep_blank_values=True)
    return {name: values[0] for name, values in fields.items()}
