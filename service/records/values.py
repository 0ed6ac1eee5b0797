"""The leaf types of a visit record: what a written value may look like.

YAML, JSON and CSV write the same value differently (``02139`` or ``"02139"``, ``5`` or ``"5"``, ``yes`` or
``true``); here each becomes one Python value, or is refused. Numbers keep their decimals (``1.50``).
"""

import re
from datetime import date, datetime
from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, ValidationInfo
from pydantic_core import PydanticCustomError

__all__ = ["Day", "Moment", "Number", "Text", "Whole", "YesNo", "YesNoUnknown", "words"]

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_MOMENT = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?(Z|[+-]\d{2}:\d{2})?")
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,2})?")
_UNPRINTABLE = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_MOST_DIGITS = 30


def words(value: Any) -> Any:
    """``true``/``false`` as the words yes and no; anything else unchanged."""
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else value


def _text(value: Any) -> Any:
    """A number where text is wanted (a ZIP, a telephone number) is the text it was written with."""
    return str(value) if isinstance(value, int | Decimal) and not isinstance(value, bool) else value


def _printable(value: str) -> str:
    if not value.strip() or _UNPRINTABLE.search(value):
        raise PydanticCustomError("text", "text is wanted")
    return value


def _number(value: Any) -> Any:
    if isinstance(value, bool) or not isinstance(value, int | Decimal | str):
        raise PydanticCustomError("number", "a number is wanted")
    text = str(value).strip()
    if len(text) > _MOST_DIGITS or not _NUMBER.fullmatch(text):
        raise PydanticCustomError("number", "a number is wanted")
    number = Decimal(text)
    if abs(number.adjusted()) > _MOST_DIGITS:
        raise PydanticCustomError("number", "a number is wanted")
    return number


def _whole(value: Any) -> Any:
    number: Decimal = _number(value)
    if number != number.to_integral_value():
        raise PydanticCustomError("whole", "a whole number is wanted")
    return int(number)


def _day(value: Any) -> Any:
    if not isinstance(value, str) or not _DAY.fullmatch(value.strip()):
        raise PydanticCustomError("day", "a date is wanted")
    return value.strip()


def _moment(value: Any) -> Any:
    if not isinstance(value, str) or not _MOMENT.fullmatch(value.strip()):
        raise PydanticCustomError("moment", "a date and time is wanted")
    return value.strip()


def _in_zone(value: datetime, info: ValidationInfo) -> datetime:
    """A time without offset is in the site's time zone, given as ``zone`` in the validation context."""
    if value.tzinfo is not None:
        return value
    zone = (info.context or {}).get("zone")
    return value.replace(tzinfo=zone) if zone else value


Text = Annotated[str, BeforeValidator(_text), AfterValidator(_printable)]
Whole = Annotated[int, BeforeValidator(_whole)]
Number = Annotated[Decimal, BeforeValidator(_number)]
Day = Annotated[date, BeforeValidator(_day)]
Moment = Annotated[datetime, BeforeValidator(_moment), AfterValidator(_in_zone)]
YesNo = Annotated[Literal["yes", "no"], BeforeValidator(words)]
YesNoUnknown = Annotated[Literal["yes", "no", "unknown"], BeforeValidator(words)]
