"""The text of a screen that is in sight, and the words that may not be in it."""

from __future__ import annotations

import re
from typing import Any

import html5lib

FOLDED = {"details"}
"""What is folded may say more; its heading may not."""
SILENT = {"script", "style", "option", "datalist", "noscript", "title", "code"}

OFF_THE_SCREEN = (
    "strike|rehearsal|reference|provisional|bound|interval|median|spread|retention|segment|mount|"
    "peak rate|deg/s|ratio|told|detectable|held|brisker step|bundle"
)
NOWHERE = "score|good|bad|correct|fail|ideal|normal|too slow|sure|proves|because"


def whole_of(site: Any, path: str) -> Any:
    """Return the content of an address with all that comes later."""
    answer = site.http.get(f"{path}{'&' if '?' in path else '?'}whole=1")
    tree = html5lib.parse(answer.text, namespaceHTMLElements=False)
    return tree.find(".//main") if tree.find(".//main") is not None else tree.find("body")


def text_of(element: Any, *, leave: frozenset[str] = frozenset()) -> str:
    """Return the text in sight; of what is folded its heading only."""
    if not isinstance(element.tag, str) or element.tag.rpartition("}")[2] in SILENT | leave:
        return ""
    if "away" in (element.get("class") or "").split():
        return ""
    folded = element.tag in FOLDED and element.get("open") is None
    if folded:
        return " ".join(text_of(child, leave=leave) for child in element if child.tag == "summary")
    parts = [element.text or ""]
    for child in element:
        parts += [text_of(child, leave=leave), child.tail or ""]
    return " ".join(parts)


def words_in(pattern: str, text: str) -> list[str]:
    """Return the words of a pattern, and their plurals, that a text has."""
    return re.findall(rf"\b(?:{pattern})(?:s|es)?\b", text, re.IGNORECASE)


NOT_AT_THE_TERMINAL = "|".join(
    word
    for word in OFF_THE_SCREEN.split("|")
    # What a screen has shorter words for; in a terminal they are plain English, or a command.
    if word not in ("told", "detectable", "brisker step", "bundle")
)
"""What the words of a command may not be."""

DETAILS = "ratio|peak rate"
"""What may be named in a part of the output that is headed as details."""


def said_in(text: str) -> str:
    """Return what a terminal shows without what is typed: commands, options, names in capitals."""
    out = []
    typed = False
    for line in text.splitlines():
        typed = typed or bool(re.match(r"\s*(\$ )?unhurried ", line))
        if not typed:
            out.append(line)
        # A long command goes on.
        typed = typed and line.endswith("\\")
    plain = re.sub(r"\[[^\]]*\||[\w-]+\||\|[\w-]+\]?", " ", "\n".join(out))
    return re.sub(r"'unhurried [^']*'|`[^`]*`|--[\w-]+|\b\w+_\w+\b|'[a-z-]+'", " ", plain)
