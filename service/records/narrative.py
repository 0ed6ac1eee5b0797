"""The generated narrative of an authored resource: what its codes and values say, in words.

Everything is escaped; the div holds headings, lists and text only (FHIR R4 narrative.html).
"""

import re
from collections.abc import Iterable
from html import escape
from typing import Any

__all__ = ["narrative", "observation_narrative", "with_line", "words_of"]

_CONTROLS = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f]")
"""Can't stand in XML, not even escaped."""
_XHTML = "http://www.w3.org/1999/xhtml"


def narrative(title: str, lines: Iterable[tuple[str, str]] = ()) -> dict[str, str]:
    """A Narrative of status generated: a heading and ``label: text`` lines, those without text left out."""
    items = "".join(f"<li>{_safe(label)}: {_safe(said)}</li>" for label, said in lines if said)
    body = f"<p>{_safe(title)}</p>" + (f"<ul>{items}</ul>" if items else "")
    return {"status": "generated", "div": f'<div xmlns="{_XHTML}">{body}</div>'}


def observation_narrative(observation: dict[str, Any]) -> dict[str, str]:
    """The Narrative of an Observation: its code, its value or why there is none, and its components."""
    said = [(part["code"].get("text", ""), words_of(part)) for part in observation.get("component", ())]
    return narrative(observation["code"].get("text", ""), [("Result", words_of(observation)), *said])


def with_line(text: dict[str, Any] | None, label: str, said: str) -> dict[str, Any] | None:
    """A generated Narrative with one more line at its end; any other as it is."""
    if text is None or text.get("status") != "generated":
        return text
    head, end, _ = text["div"].rpartition("</div>")
    return {**text, "div": f"{head}<p>{_safe(label)}: {_safe(said)}</p>{end}"}


def words_of(element: dict[str, Any]) -> str:
    """What a ``value[x]`` or ``dataAbsentReason`` of an element says, in words; empty if it has none."""
    for name, value in element.items():
        if name == "dataAbsentReason":
            return f"not available ({_said(value)})"
        if name.startswith("value"):
            return _said(value)
    return ""


def _said(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if not isinstance(value, dict):
        return str(value)
    if "coding" in value or "text" in value:
        return str(value.get("text") or value["coding"][0].get("display", value["coding"][0].get("code", "")))
    if "value" in value:
        return f"{value.get('comparator', '')}{value['value']} {value.get('unit', '')}".strip()
    return str(value.get("reference", ""))


def _safe(text: str) -> str:
    return escape(_CONTROLS.sub("", text))
