from service.fhir.labels import with_labels_of, with_more, without

A, B = {"system": "s", "code": "a"}, {"system": "s", "code": "b"}
PLAIN = {"code": "a"}


def test_sent_labels_stay_as_sent_if_none_is_lacking():
    sent = {"meta": {"tag": [B, A]}}
    assert with_labels_of({"meta": {"tag": [A, B]}}, sent) is sent
    assert with_labels_of({}, sent) is sent


def test_lacking_labels_come_first_as_they_stood():
    joined = with_labels_of({"meta": {"tag": [A], "security": [B]}}, {"meta": {"tag": [B], "source": "#x"}})
    assert joined == {"meta": {"tag": [A, B], "security": [B], "source": "#x"}}


def test_a_code_without_a_system_is_another_label():
    assert with_more({"tag": [A]}, {"tag": [PLAIN]}) == {"tag": [A, PLAIN]}
    assert without({"tag": [A, PLAIN]}, {"tag": [PLAIN]}) == {"tag": [A]}


def test_the_display_of_a_label_does_not_tell_it_apart():
    assert with_more({"tag": [A]}, {"tag": [A | {"display": "Again"}]}) == {"tag": [A]}


def test_only_sets_are_added_and_taken_away():
    meta = {"versionId": "1", "profile": ["p"], "tag": [A]}
    assert with_more(meta, {"versionId": "2", "profile": ["q"]}) == meta | {"profile": ["p", "q"]}
    assert without(meta, {"versionId": "1", "profile": ["p"], "tag": [A]}) == {"versionId": "1"}
