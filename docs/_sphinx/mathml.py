"""Formulas as MathML, made while the site is built: no script and no font has to come from anywhere."""

from __future__ import annotations

import re
from typing import Any

from docutils import nodes
from latex2mathml.converter import convert
from sphinx.application import Sphinx

__all__ = ["setup"]


KNOWN = {
    r"{aligned}": "{split}",
    r"{gathered}": "{split}",
    r"\operatorname{": r"\text{",
    r"\mathrm{": r"\text{",
}
"""What pages say, by what the converter knows it."""

FUNCTION = re.compile(r"<m(i|text)>(\w{2,6})</m(?:i|text)>(</m\w+>|<mn>2</mn></msup>)?(<mo[^>]*>&#x00028;)?")
BAR = "<mo>&#x0007C;</mo>"


def _spaced(latex: str, made: str) -> str:
    """Give the names of functions their space, and bars about an absolute value none."""
    names = set(re.findall(r"\\operatorname\{(\w+)\}", latex)) | {"sin", "cos", "tan", "exp", "ln"}

    def space(found: re.Match[str]) -> str:
        if found[2] not in names:
            return found[0]
        after = "0" if found[4] else "0.17em"
        name = f'<mo form="prefix" lspace="0.17em" rspace="{after}">{found[2]}</mo>'
        return f"{name}{found[3] or ''}{found[4] or ''}"

    return FUNCTION.sub(
        space, made.replace(BAR, BAR.replace("<mo>", '<mo stretchy="false" lspace="0" rspace="0">'))
    )


def _formula(writer: Any, node: nodes.Element, display: str) -> str:
    latex = said = " ".join(node.astext().split())
    for word, known in KNOWN.items():
        latex = latex.replace(word, known)
    if display == "block" and r"\\" in latex and r"\begin" not in latex:
        latex = rf"\begin{{split}}{latex}\end{{split}}"
    made = _spaced(said, convert(latex, display=display))
    return made.replace("<math ", f'<math alttext="{writer.encode(said)}" ', 1)


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
