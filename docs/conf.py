"""How the documentation is built: ``python docs/build_site.py``.

Needs ``pip install '.[docs]'`` and no network; the site works from the disk, search included.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent / "_sphinx"))

from flightproc import __version__

project = "flightproc"
author = "the flightproc contributors"
version = release = __version__
html_title = f"flightproc {__version__}"

extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon", "mathml", "reference", "pages"]
source_suffix = {".md": "markdown", ".rst": "restructuredtext"}
exclude_patterns = ["_build", "_sphinx", "Thumbs.db"]
nitpicky = True
smartquotes = False
highlight_language = "text"

myst_enable_extensions = ["dollarmath", "attrs_inline", "colon_fence"]
myst_heading_anchors = 4
myst_dmath_double_inline = False

add_module_names = False
autodoc_typehints = "none"
autodoc_member_order = "bysource"
autodoc_class_signature = "mixed"
napoleon_google_docstring = False
napoleon_use_ivar = True
napoleon_use_rtype = True
napoleon_use_param = True

html_theme = "furo"
html_static_path = ["_sphinx/static"]
html_css_files = ["site.css"]
html_js_files = ["offline.js"]
html_math_renderer = "mathml"
html_copy_source = False
html_show_sourcelink = False
html_show_sphinx = False
html_show_copyright = False
html_last_updated_fmt = None
pygments_style = "a11y-high-contrast-light"
pygments_dark_style = "a11y-high-contrast-dark"
html_theme_options = {"navigation_with_keys": False}
