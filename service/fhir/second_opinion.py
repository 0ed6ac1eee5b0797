"""What an independent library says of a resource; the only file that knows ``fhir.resources``.

It is for comparison only: it is imported when asked for, and nothing that writes asks for it.
"""

from service.errors import Issue, IssueType, Place
from service.fhir.json import Tree

__all__ = ["second_opinion"]


def second_opinion(resource: Tree) -> tuple[Issue, ...]:
    """Answer what ``fhir.resources`` finds wrong, in its own words, at its own places.

    Its R4B classes are equal to R4 on the wire for the types both have.
    """
    from fhir.resources.R4B import get_fhir_model_class  # noqa: PLC0415 - a second and 60 MB, only if asked
    from pydantic import ValidationError  # noqa: PLC0415 - comes with it

    type_ = str(resource.get("resourceType"))
    try:
        get_fhir_model_class(type_).model_validate(resource)
    except ValidationError as failed:
        errors = failed.errors(include_url=False, include_context=False)
        return tuple(_issue(str(error["msg"]), type_, error["loc"]) for error in errors)
    except Exception as error:  # noqa: BLE001 - the library lets KeyError, TypeError and others of its own out
        return (_issue(f"It can't be read ({type(error).__name__})", type_, ()),)
    return ()


def _issue(message: str, root: str, steps: tuple[int | str, ...]) -> Issue:
    path = root + "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in steps)
    return Issue(f"{message.rstrip('.')}.", code=IssueType.INVALID, place=Place(expression=path))
