"""A QuestionnaireResponse against its Questionnaire (FHIR R4 questionnaireresponse.html, questionnaire.html).

Pure: over the two trees alone. Structure and bindings of the response on its own are checked elsewhere; what
is not of the right kind is passed over here.
"""

from collections.abc import Callable, Iterable, Iterator

from service.errors import IssueType
from service.fhir.json import Tree
from service.fhir.validation.fault import Fault
from service.fhir.validation.form_answers import Member, faults_of_answer, options
from service.fhir.validation.form_conditions import Conditions, Where
from service.fhir.validation.form_nodes import answers, extensions, link_id, objects
from service.fhir.validation.form_values import equal
from service.fhir.validation.reading import text

__all__ = ["check_answers"]

_WHOLE = frozenset({"completed", "amended"})
"""Where nothing may be missing: others are under way, given up or wrong (questionnaire-answers-status)."""

Found = list[tuple[int, Tree]]
"""The items of a response for one item of the form, each with its place in its list."""


def check_answers(
    response: Tree, questionnaire: Tree, *, member: Member = lambda *_: None
) -> tuple[Fault, ...]:
    """Answer every fault, its path relative to the response (``.item[0].answer[0].valueCoding``).

    Texts, pre-set values (``initial``) and ``readOnly`` are not compared: the standard lets them differ.
    """
    return tuple(_Check(response, questionnaire, member).all())


class _Check:
    def __init__(self, response: Tree, questionnaire: Tree, member: Member) -> None:
        self._response = response
        self._form = questionnaire
        self._member = member
        self._known = frozenset(_link_ids(questionnaire))
        self._conditions = Conditions(response)
        self._whole = text(response, "status") in _WHOLE
        self._rule = text(questionnaire, "url")

    def all(self) -> Iterator[Fault]:
        yield from self._items(self._form, self._response, "", ())

    def _items(self, form: Tree, response: Tree, at: str, where: Where) -> Iterator[Fault]:
        """The items of one level: those of the form (or of a group) and those given for them."""
        asked = [item for _, item in objects(form, "item")]
        given = objects(response, "item")
        yield from self._known_and_in_order(asked, given, at)
        by_link: dict[str, Found] = {}
        for place, item in given:
            by_link.setdefault(link_id(item), []).append((place, item))
        following = 0
        for item in asked:
            found = by_link.get(link_id(item), [])
            following = found[-1][0] if found else following
            yield from self._item(item, found, at, (*where, found[0][0] if found else following))

    def _known_and_in_order(self, asked: list[Tree], given: Found, at: str) -> Iterator[Fault]:
        places = {link_id(item): place for place, item in enumerate(asked)}
        last = -1
        for place, item in given:
            link, path = link_id(item), f"{at}.item[{place}]"
            if link not in places:
                known = link in self._known
                sentence = (
                    "it stands in another group of the form." if known else "the form has no such item."
                )
                yield self._fault(f"{path}.linkId", link, sentence, IssueType.STRUCTURE)
            elif places[link] < last:
                yield self._fault(path, link, "it must stand where the form has it.", IssueType.STRUCTURE)
            last = max(last, places.get(link, last))

    def _item(self, item: Tree, found: Found, at: str, where: Where) -> Iterator[Fault]:
        enabled = self._conditions.enabled(item, where)
        if enabled is False:
            for place, one in found:
                if _answered(one):
                    sentence = "it must not be answered, since its condition (enableWhen) does not hold."
                    yield self._fault(f"{at}.item[{place}]", link_id(item), sentence)
            return
        kinds = {"group": self._group, "display": self._display}
        kind: Callable[[Tree, Found, str, Where], Iterator[Fault]] = kinds.get(
            text(item, "type"), self._question
        )
        yield from kind(item, found, at, where)
        if enabled and self._whole:
            yield from self._missing(item, found, at)

    def _display(self, item: Tree, found: Found, at: str, _: Where) -> Iterator[Fault]:
        for place, one in found:
            if "answer" in one or "item" in one:
                sentence = "it is shown only and can't be answered."
                yield self._fault(f"{at}.item[{place}]", link_id(item), sentence, IssueType.STRUCTURE)

    def _group(self, item: Tree, found: Found, at: str, where: Where) -> Iterator[Fault]:
        yield from self._too_many(item, len(found), f"{at}.item[{found[-1][0]}]" if found else at)
        for place, one in found:
            path = f"{at}.item[{place}]"
            if "answer" in one:
                sentence = "it is a group, which has items and no answer."
                yield self._fault(f"{path}.answer", link_id(item), sentence, IssueType.STRUCTURE)
            yield from self._items(item, one, path, (*where[:-1], place))

    def _question(self, item: Tree, found: Found, at: str, where: Where) -> Iterator[Fault]:
        for place, one in found:
            path = f"{at}.item[{place}]"
            if "item" in one:
                sentence = "items below a question stand in its answer."
                yield self._fault(f"{path}.item", link_id(item), sentence, IssueType.STRUCTURE)
            if place != found[0][0]:
                sentence = "give all answers in one item."
                yield self._fault(path, link_id(item), sentence, IssueType.STRUCTURE)
            yield from self._answers(item, one, path, (*where[:-1], place))

    def _answers(self, item: Tree, one: Tree, at: str, where: Where) -> Iterator[Fault]:
        given = answers(one)
        yield from self._too_many(item, len(given), f"{at}.answer")
        for place, type_, value in given:
            for fault in faults_of_answer(item, type_, value, self._member):
                path = f"{at}.answer[{place}]{fault.path}"
                yield self._fault(path, link_id(item), fault.message, fault.code)
        if len(given) > 1 and self._excludes_others(item, given):
            sentence = "one of the answers excludes all others."
            yield self._fault(f"{at}.answer", link_id(item), sentence)
        for place, answer in objects(one, "answer"):
            yield from self._items(item, answer, f"{at}.answer[{place}]", (*where, place))

    @staticmethod
    def _excludes_others(item: Tree, given: Iterable[tuple[int, str, object]]) -> bool:
        alone = [(type_, value) for type_, value, exclusive in options(item) if exclusive]
        return any(
            type_ == kind and equal(type_, value, one) for _, type_, value in given for kind, one in alone
        )

    def _too_many(self, item: Tree, count: int, at: str) -> Iterator[Fault]:
        if count > 1 and item.get("repeats") is not True:
            yield self._fault(at, link_id(item), "the form allows it once.", IssueType.STRUCTURE)
            return
        for most in extensions(item, "questionnaire-maxOccurs"):
            if isinstance(most, int) and count > most:
                sentence = f"the form allows it at most {most} times."
                yield self._fault(at, link_id(item), sentence, IssueType.STRUCTURE)

    def _missing(self, item: Tree, found: Found, at: str) -> Iterator[Fault]:
        if text(item, "type") == "display":
            return
        if text(item, "type") == "group":
            count = sum(bool(objects(one, "item")) for _, one in found)
        else:
            count = sum(len(answers(one)) for _, one in found)
        path = f"{at}.item[{found[0][0]}]" if found else at
        if item.get("required") is True and not count:
            yield self._fault(path, link_id(item), "the form asks for an answer.", IssueType.REQUIRED)
            return
        for least in extensions(item, "questionnaire-minOccurs"):
            if isinstance(least, int) and count < least and (count or item.get("required") is True):
                sentence = f"the form asks for it at least {least} times."
                yield self._fault(path, link_id(item), sentence, IssueType.REQUIRED)

    def _fault(self, at: str, link: str, sentence: str, code: IssueType = IssueType.BUSINESS_RULE) -> Fault:
        return Fault(at, f"Item '{link[:64]}': {sentence}", code, self._rule)


def _answered(item: Tree) -> bool:
    """Whether there is an answer anywhere below."""
    if answers(item):
        return True
    inner = [one for _, one in objects(item, "item")]
    inner += [one for _, answer in objects(item, "answer") for _, one in objects(answer, "item")]
    return any(map(_answered, inner))


def _link_ids(form: Tree) -> Iterator[str]:
    for _, item in objects(form, "item"):
        yield link_id(item)
        yield from _link_ids(item)
