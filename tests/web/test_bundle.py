"""Modules become one script that does the same, alone in a file."""

from __future__ import annotations

from pathlib import Path

import pytest
from browser import opened_page

from sim.web.bundle import BundleError, script_from_module

WEB = Path(__file__).parents[2] / "sim" / "web"


def written(folder: Path, **modules: str) -> Path:
    """Modules in a folder, by name; the entry is `start`."""
    for name, text in modules.items():
        (folder / f"{name}.js").write_text(text, "utf-8")
    return folder / "start.js"


def ran(folder: Path, script: str) -> str:
    """What a page with the script has written into its body, opened from a file under the page's own policy."""
    page = folder / "page.html"
    page.write_text(
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><link rel="icon" href="data:,">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; script-src 'unsafe-inline'; "
        f'img-src data:"><title>t</title></head><body><script>{script}</script></body></html>',
        "utf-8",
    )
    with opened_page(page) as opened:
        return str(opened.inner_text("body"))


def test_modules_run_once_in_the_order_of_their_imports_and_their_names_never_meet(tmp_path: Path) -> None:
    entry = written(
        tmp_path,
        base='const own = "base";\nlet runs = 0;\nrun();\nfunction run() { runs += 1; }\n'
        "export const count = () => runs;\nexport function named() { return own; }\n",
        left='import { named } from "./base.js";\nconst own = "left";\n'
        "export class Left { say() { return own + named(); } }\n",
        right='import {\n  named as other,\n  count,\n} from "./base.js";\nconst named = "right";\n'
        "export async function right() { return named + other() + count(); }\n",
        start='import { Left } from "./left.js";\nimport { right } from "./right.js";\n'
        'right().then((text) => document.body.append(new Left().say() + " " + text));\n',
    )
    assert ran(tmp_path, script_from_module(entry)) == "leftbase rightbase1"


def test_a_script_cannot_end_its_element(tmp_path: Path) -> None:
    entry = written(
        tmp_path, start='document.body.append("</script><!-- <script>", String(/<\\/SCRIPT>/.test("</SCRIPT>")));\n'
    )
    script = script_from_module(entry)
    assert "</script" not in script.lower() and "<!--" not in script and "<script" not in script
    assert ran(tmp_path, script) == "</script><!-- <script>true"


@pytest.mark.parametrize(
    ("modules", "fault"),
    [
        ({"start": 'import { a } from "./b.js";\nexport const b = 1;\n',
          "b": 'import { b } from "./start.js";\nexport const a = 1;\n'}, "a circle of imports"),
        ({"start": 'import { a } from "./gone.js";\n'}, "imports gone.js, which is not there"),
        ({"start": "export let a = 1;\n"}, "not understood: export let a"),
        ({"start": "export default 1;\n"}, "not understood: export default"),
        ({"start": 'import * as all from "./b.js";\n', "b": ""}, "not understood: import [*] as all"),
        ({"start": 'import { a } from "https://example.org/a.js";\n'}, "not understood: import { a }"),
        ({"start": 'const a = await import("./b.js");\n', "b": ""}, "not understood: import[(]"),
        ({"start": "console.log(import.meta.url);\n"}, "not understood: import.meta"),
        ({"start": "const $module0 = 1;\n"}, "keeps for itself"),
    ],
)  # fmt: skip
def test_what_is_not_understood_is_refused(tmp_path: Path, modules: dict[str, str], fault: str) -> None:
    with pytest.raises(BundleError, match=fault):
        script_from_module(written(tmp_path, **modules))


@pytest.mark.parametrize("path", sorted(WEB.glob("*.js")), ids=lambda path: path.name)
def test_every_shared_module_can_be_taken_in(path: Path) -> None:
    assert script_from_module(path) == script_from_module(path)
