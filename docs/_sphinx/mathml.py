"""Formulas as MathML, made while the site is built: no script and no font has to come from anywhere."""

from __future__ import annotations

from typing import Any

from docutils import nodes
from latex2mathml.converter import convert
from sphinx.application import Sphinx

__all__ = ["setup"]


KNOWN = {
    r"{aligned}": "{split}",
    r"{gathered}": "{split}",
    r"\operatorname{": r"\mathrm{",
    r"\dfrac": r"\frac",
}
"""What pages say, by what the converter knows it."""


def _formula(writer: Any, node: nodes.Element, display: str) -> str:
    latex = " ".join(node.astext().split())
    said = writer.encode(latex)
    for word, known in KNOWN.items():
        latex = latex.replace(word, known)
    if display == "block" and r"\\" in latex and r"\begin" not in latex:
        latex = rf"\begin{{split}}{latex}\end{{split}}"
    return convert(latex, display=display).replace("<math ", f'<math alttext="{said}" ', 1)


def _inline(writer: Any, node: nodes.math) -> None:
    writer.body.append(f'<span class="formula">{_formula(writer, node, "inline")}</span>')
    raise nodes.SkipNode


def _block(writer: Any, node: nodes.math_block) -> None:
    writer.body.append(f'<div class="formula" tabindex="0">{_formula(writer, node, "block")}</div>\n')
    raise nodes.SkipNode


def setup(app: Sphinx) -> dict[str, Any]:
    """Give Sphinx the renderer ``mathml``."""
    app.add_html_math_renderer("mathml", (_inline, None), (_block, None))
    return {"version": "1", "parallel_read_safe": True, "parallel_write_safe": True}
