"""Sources: what code and tests cite is in the bibliography, what is there is cited, and little rests on memory."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BIBLIOGRAPHY = ROOT / "sim" / "bibliography.bib"
TEXTS = {
    path: path.read_text("utf-8")
    for folder in ("sim", "tests", "meshes")
    for path in sorted((ROOT / folder).rglob("*"))
    if path.suffix in (".py", ".md", ".js") and path != Path(__file__).resolve()
}
# A key stands in square brackets: a name with a capital, then a year or none.
CITATION = re.compile(r"\[((?:[A-Z][A-Za-z0-9.-]*:\d{4})|Weisstein)\]")


def entries() -> set[str]:
    return set(re.findall(r"^@\w+\{([^,]+),", BIBLIOGRAPHY.read_text("utf-8"), re.M))


def citations() -> set[str]:
    return {key for text in TEXTS.values() for key in CITATION.findall(text)}


def test_every_citation_has_its_entry_and_every_entry_is_cited() -> None:
    assert len(entries()) > 20
    assert citations() == entries()


def test_entries_say_who_what_and_when() -> None:
    for entry in re.split(r"^(?=@)", BIBLIOGRAPHY.read_text("utf-8"), flags=re.M)[1:]:
        assert "title = {" in entry, entry
        assert "author = {" in entry or "organization = {" in entry, entry
        assert "year = {" in entry or "howpublished = {" in entry, entry


def test_fewer_than_ten_values_rest_on_memory() -> None:
    # The words may be parted by the end of a line, and by the sign that begins a comment.
    places = [
        f"{path.relative_to(ROOT)}: {text[max(0, place.start() - 60) : place.end()]}"
        for path, text in TEXTS.items()
        for place in re.finditer(r"from[\s#*]+memory", text, re.I)
    ]
    assert len(places) < 10, "\n".join(places)
