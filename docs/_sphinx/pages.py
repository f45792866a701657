"""Small changes to the Markdown pages on their way to the site."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from docutils import nodes
from sphinx.application import Sphinx
from sphinx.transforms import SphinxTransform

__all__ = ["setup"]


class NameShells(SphinxTransform):
    """Colour a block of commands as such, though a page does not say that it is one."""

    default_priority = 200

    def apply(self, **kwargs: Any) -> None:
        """Change the language of blocks that show a prompt or begin with the command."""
        for block in self.document.findall(nodes.literal_block):
            if block.get("language", "text") not in ("text", "default", "none"):
                continue
            text = block.astext()
            if text.startswith("$ "):
                block["language"] = "console"
            elif text.startswith(("flightproc ", "python ", "python3 ", "pip ")):
                block["language"] = "sh"


def _for_site(app: Sphinx, docname: str, source: list[str]) -> None:
    """Bring in the page for contributors, which lies above docs, and lead links to it there."""
    if docname == "contributing":
        developers = Path(app.srcdir).parent / "DEVELOPERS.md"
        app.env.note_dependency(str(developers))
        source[0] = re.sub(r"\]\((?:docs/)", "](", developers.read_text(encoding="utf-8"))
    elif docname == "formats/README":
        source[0] += "\n```{toctree}\n:hidden:\n:glob:\n\n*\n```\n"
    source[0] = re.sub(r"\]\((?:\.\./)+DEVELOPERS\.md", "](contributing.md", source[0])


def _reach(app: Sphinx, pagename: str, template: str, context: dict[str, Any], doctree: Any) -> None:
    """Let the keyboard scroll wide blocks, name the level of headings in the contents, set dashes."""
    if "body" in context:
        body = context["body"].replace("<pre>", '<pre tabindex="0">')
        context["body"] = re.sub(r"(</(?:em|a|strong)>\)?) -- ", "\\1 \N{EN DASH} ", body)
    tree = context.get("furo_navigation_tree", "")
    context["furo_navigation_tree"] = tree.replace('role="heading"', 'role="heading" aria-level="2"')


def setup(app: Sphinx) -> dict[str, Any]:
    """Add the changes."""
    app.add_transform(NameShells)
    app.connect("source-read", _for_site)
    app.connect("html-page-context", _reach, priority=900)  # after the theme
    return {"version": "1", "parallel_read_safe": True, "parallel_write_safe": True}
