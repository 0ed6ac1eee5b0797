"""Whether two services hold the same, each under ids of its own."""

import json

from processes import by_identifier, client, everything, searchable_types

from service.operations.own_resources import is_own


def content_types(http):
    """The types of what people wrote; the trail of who asked is each side's own."""
    return [type_ for type_ in searchable_types(http) if type_ != "AuditEvent"]


def versions(server, token_file):
    """Id and version of everything the server holds, without what travels with the program."""
    with client(server, token_file) as http:
        return {
            (one["resourceType"], one["id"]): one["meta"]["versionId"]
            for type_ in content_types(http)
            for one in everything(http, type_)
            if not is_own(type_, one["id"])
        }


def assert_same(sender, receiver, keys, *, least=500):
    """Both hold the same resources: equal content, each business identifier once, references resolved."""
    with client(sender, keys[0]) as one, client(receiver, keys[1]) as other:
        types = content_types(one)
        ours = [tree for type_ in types for tree in everything(one, type_)]
        theirs = [tree for type_ in types for tree in everything(other, type_)]
    assert len(ours) == len(theirs) > least
    assert by_identifier(ours).keys() == by_identifier(theirs).keys()
    assert all(len(ids) == 1 for ids in by_identifier(theirs).values())
    assert comparable(ours) == comparable(theirs)


def comparable(trees):
    """Contents with every id replaced by the business identifier behind it, in a stable order."""
    names = {f"{tree['resourceType']}/{tree['id']}": _name(tree) for tree in trees}
    return sorted(json.dumps(_without_ids(tree, names), sort_keys=True) for tree in trees)


def _name(tree):
    identifiers = tree.get("identifier", [])
    first = identifiers[0] if isinstance(identifiers, list) and identifiers else identifiers
    return json.dumps(first, sort_keys=True) if first else tree["id"]


def _without_ids(node, names):
    if isinstance(node, list):
        return [_without_ids(one, names) for one in node]
    if isinstance(node, str):
        return names.get(node, node)
    if not isinstance(node, dict):
        return node
    skipped = {"id", "versionId", "lastUpdated"} if "resourceType" in node or "versionId" in node else set()
    return {key: _without_ids(value, names) for key, value in node.items() if key not in skipped}
