"""A page that is one file: a template filled in, with its style, script and data inside, and a policy against the rest.

Templates are Jinja2 with every value escaped; what is markup already says so by its type, `markupsafe.Markup`.
"""

from __future__ import annotations

import base64
import hashlib
import json
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from sim.web.bundle import script_from_module


def html_from_template(folder: Path, name: str, **fields: object) -> str:
    """The template `name` in a folder, filled in.

    Does not: leave a value out that the template names (raises `jinja2.UndefinedError`).
    """
    environment = Environment(
        loader=FileSystemLoader(folder), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, keep_trailing_newline=True,
    )  # fmt: skip
    return environment.get_template(name).render(**fields)


def live_html_from_template(folder: Path, *, images: str, data: object, style: str = "", **fields: object) -> str:
    """The page in a folder: `page.html` with `page.css`, the modules from `start.js` on, and `data` for them.

    Arguments: `images` where pictures may come from, as a content security policy says it; `style` more of it.
    """
    script = script_from_module(folder / "start.js")
    # Script text is trusted by its digest alone.
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    policy = (
        f"default-src 'none'; script-src 'sha256-{digest}'; style-src 'unsafe-inline'; img-src {images}; "
        "base-uri 'none'; form-action 'none'"
    )
    return html_from_template(
        folder,
        "page.html",
        policy=Markup(policy),
        script=Markup(script),
        style=Markup((folder / "page.css").read_text("utf-8") + style),
        set=Markup(json_in_script(data)),
        **fields,
    )


def json_in_script(data: object) -> str:
    r"""JSON that may stand inside a script element: pure ASCII, and no `<` that could end it.

    >>> json_in_script({"a": "</script>é"})
    '{"a":"\\u003c/script\\u003e\\u00e9"}'
    """
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
