"""The figures of the report: one module a figure, each with ``draw(results) -> Picture | Missing``."""

from __future__ import annotations

from .style import STYLE, Missing, Picture, decimate, inline_svg, png_bytes, svg_text

__all__ = ["STYLE", "Missing", "Picture", "decimate", "inline_svg", "png_bytes", "svg_text"]
