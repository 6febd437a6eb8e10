"""The pages' words for quantities, on the table that Python's are tested on."""

from __future__ import annotations

import json
import re
from pathlib import Path

from browser import opened_page

from sim.web.bundle import script_from_module

TABLE = json.loads((Path(__file__).parents[1] / "quantities" / "phrases_table.json").read_text("utf-8"))
PHRASES = Path(__file__).parents[2] / "sim" / "web" / "phrases.js"
IN_BOTH = ("power", "power_short", "change", "signed_stops", "reading", "reading_short", "metres", "tilt", "amount",
           "ratio", "lighting_ratio")  # fmt: skip


def camel(name: str) -> str:
    return re.sub(r"_(\w)", lambda m: m[1].upper(), name)


def test_phrases_are_as_in_the_table(tmp_path: Path) -> None:
    (tmp_path / "start.js").write_text(
        PHRASES.read_text("utf-8") + f"\nwindow.phrases = {{ {', '.join(map(camel, IN_BOTH))} }};\n", "utf-8"
    )
    page = tmp_path / "page.html"
    script = script_from_module(tmp_path / "start.js")
    page.write_text(
        f'<!DOCTYPE html><html><head><link rel="icon" href="data:,"></head><script>{script}</script></html>'
    )
    with opened_page(page) as opened:
        for name in IN_BOTH:
            base = name.removesuffix("_short")
            for value, *texts in TABLE[base]:
                told = opened.evaluate(
                    "([name, values]) => window.phrases[name](...values.map((v) => v === '-Infinity' ? -Infinity : v))",
                    [camel(name), value if isinstance(value, list) else [value]],
                )
                assert told == texts[1 if name.endswith("_short") else 0], (name, value)
