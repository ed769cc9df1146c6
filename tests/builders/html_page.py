"""What a reader of a page sees, and what a browser would be told."""

from __future__ import annotations

import re
from html.parser import HTMLParser

# Tags that run, load or ask for something.
LIVE = {"script", "iframe", "object", "embed", "form", "input", "button", "link", "base", "frame"}

# Another file of the same folder, and a row on it.
NEIGHBOUR = re.compile(r"[a-z0-9_-]+\.(html(#[\w.-]+)?|pdf|xlsx|csv)")


class Reading(HTMLParser):
    """What a reader sees, and what a browser would be told."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.seen: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.title = ""
        self._in: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._in.append(tag)

    def handle_endtag(self, tag):
        while self._in and self._in.pop() != tag:
            pass

    def handle_data(self, data):
        if "title" in self._in[-1:]:
            self.title += data
        elif "style" not in self._in[-1:]:
            self.seen.append(data)

    @property
    def text(self) -> str:
        return "".join(self.seen)

    @property
    def faults(self) -> list[str]:
        """What may run code, load something from elsewhere or hide rows."""
        found = [f"<{tag}>" for tag, _ in self.tags if tag in LIVE]
        for tag, given in self.tags:
            for name, value in given.items():
                address = re.sub(r"[\x00-\x20]", "", value or "").lower()
                if name.startswith("on") or name in {"srcdoc", "formaction", "srcset", "background", "style", "action"}:
                    found.append(f"<{tag} {name}>")
                neighbour = name == "href" and NEIGHBOUR.fullmatch(address)
                if name in {"src", "href", "xlink:href", "data", "poster", "cite"} and not (
                    neighbour or address.startswith(("#", "data:image/"))
                ):
                    found.append(f"<{tag} {name}={address[:60]}>")
                if name == "class" and "dataframe" in (value or "").split():
                    found.append("a table shown by pandas, which cuts rows and long texts")
        headings = [tag for tag, _ in self.tags].count("h1")
        return found + ([] if headings == 1 else [f"{headings} main headings"])
