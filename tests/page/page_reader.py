"""A page read as a browser reads it, and the address it is asked at."""

from html.parser import HTMLParser

__all__ = ["ORIGIN", "Page"]

ORIGIN = "http://127.0.0.1:8080"
BLOCKS = {"dt", "dd", "p", "li", "h1", "h2", "td", "th", "label", "button", "title", "desc"}
VOID = {"meta", "link", "input", "br"}


class Page(HTMLParser):
    """A parsed page: its words, attributes by tag, and table rows as lists of cell texts."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self._rows: list[list[str]] = []
        self.open: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "tr":
            self._rows.append([])
        elif tag in ("td", "th") and self._rows:
            self._rows[-1].append("")
        elif tag == "br":
            self.handle_data(" ")

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, f"{tag} closes what is not open"
        if tag in BLOCKS:
            self.words.append(" ")

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.words.append(data)
        if "td" in self.open or "th" in self.open:
            self._rows[-1][-1] += data

    @property
    def rows(self) -> list[list[str]]:
        return [[" ".join(cell.split()) for cell in row] for row in self._rows]

    @property
    def text(self) -> str:
        return " ".join("".join(self.words).split())

    def attributes(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]
