"""What may be subscribed to: topics, and whether a version of a resource is an event of one.

Data, ``mappings/topics/``: each in the shape of R4B's SubscriptionTopic. R4 has no such resource, there a
topic is known by its canonical alone (Subscriptions R5 Backport 1.1.0, components.html).
"""

from dataclasses import dataclass
from functools import cache
from typing import Any

from service.fhir.fhirpath import compiled
from service.fhir.json import Tree, reread
from service.fhir.search_parameters import Parameter, parameters
from service.shipped import shipped

__all__ = ["Topic", "topic_of", "topics"]


@dataclass(frozen=True, slots=True)
class Topic:
    """One topic, whose events are about resources of ``type``.

    ``criterion`` is FHIRPath, empty where events are computed. ``filters`` are the search parameters by which
    they may be narrowed, ``includes`` those whose targets are told of besides the focus.
    """

    url: str
    title: str
    description: str
    type: str
    criterion: str
    filters: tuple[Parameter, ...]
    includes: tuple[Parameter, ...] = ()

    @property
    def computed(self) -> bool:
        """Whether its events are told by what a person's record comes to, not by one resource."""
        return not self.criterion

    def happened(self, previous: Tree | None, current: Tree) -> bool:
        """Whether a version is an event; ``previous`` is the version before it, None for none."""
        before: Any = previous or []
        return compiled(self.criterion).values(current, {"previous": before, "current": current}) == [True]


@cache
def topics() -> tuple[Topic, ...]:
    """Answer all of them."""
    folder = shipped("mappings", "topics")
    return tuple(_topic(reread(path.read_bytes())) for path in sorted(folder.glob("*.json")))


def topic_of(url: str) -> Topic | None:
    """The topic of a canonical, with the version it has or without; None if there is none."""
    return next((one for one in topics() if url in {one.url, f"{one.url}|1.0.0"}), None)


def _topic(tree: Tree) -> Topic:
    (trigger,) = tree.get("resourceTrigger") or tree["eventTrigger"]
    type_ = trigger["resource"]
    known = parameters(type_)
    includes = [name for shape in tree["notificationShape"] for name in shape.get("include", ())]
    return Topic(
        tree["url"],
        tree["title"],
        tree["description"],
        type_,
        trigger.get("fhirPathCriteria", ""),
        tuple(known[one["filterParameter"]] for one in tree["canFilterBy"]),
        tuple(known[name.partition(":")[2]] for name in includes),
    )
