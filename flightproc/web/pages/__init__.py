"""Pages beside the main flow: one module each, with ``ROUTER``, and ``LINK`` where the menu names it.

A page module offers ``ROUTER`` (a ``fastapi.APIRouter``), and ``LINK = ("/address", "Words in the menu")`` or
``LINK = None``. Its template lies in ``templates/`` and extends ``base.html``; it answers with
:func:`flightproc.web.render.page`, and takes forms in with :func:`flightproc.web.uploads.form_of`, which
checks where the form comes from. Neither script nor style stands in a template: both are files in
``static/``.
"""

from __future__ import annotations

__all__ = ["PAGES"]

PAGES: tuple[str, ...] = ("charts", "rigs", "blade", "gliders", "compensation", "plan", "logbook")
"""Module names in this package, in the order of the menu."""
