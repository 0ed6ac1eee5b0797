"""Words that nobody uses any more: texts beside codes, in which anything may stand."""

from service.store.search_match import TEXT_MARK, Statement

__all__ = ["unused_texts"]


def unused_texts() -> Statement:
    """Take them away; answers a row for each."""
    used = "SELECT text FROM token UNION SELECT system FROM token UNION SELECT system FROM quantity"
    sql = f"DELETE FROM word WHERE text >= ? AND text < ? AND key NOT IN ({used}) RETURNING key"
    return sql, [TEXT_MARK, chr(ord(TEXT_MARK) + 1)]
