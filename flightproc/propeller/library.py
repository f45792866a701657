"""Polars from a general-purpose aerofoil library, where one is installed."""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np

from ..errors import FlightprocError
from .table import TablePolar

__all__ = ["library_polar"]


def library_polar(
    section: str,
    *,
    reynolds: Sequence[float] = (1e5, 2e5, 5e5, 1e6, 2e6),
    model: str = "large",
) -> TablePolar:
    """Compute the polar of a named section with NeuralFoil.

    Parameters
    ----------
    section : str
        Name the library knows, such as ``naca4412`` or ``clarky``.
    reynolds : sequence of float
        Reynolds numbers of the table.
    model : str
        Size of the library's network.

    Returns
    -------
    TablePolar
        From -12 to 18 deg in steps of 0.5 deg; beyond that as `TablePolar` says.

    Raises
    ------
    FlightprocError
        Where the library is not installed, or does not know the section.

    Examples
    --------
    >>> import flightproc as fp
    >>> try:
    ...     polar = library_polar("no such section")
    ... except fp.FlightprocError as error:
    ...     print("not to be had")
    not to be had
    """
    try:
        import aerosandbox  # pyright: ignore[reportMissingImports]
        import neuralfoil  # pyright: ignore[reportMissingImports]
    except ImportError as error:
        raise FlightprocError(
            "a section by name needs the aerofoil library, which is not installed",
            where="[propeller] section",
            found=section,
            hint="pip install 'flightproc[polars]', or give a CSV table as section",
        ) from error
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # of a section it does not know: an error says so below
        shape = aerosandbox.Airfoil(section)
    if shape.coordinates is None:
        raise FlightprocError(
            "the aerofoil library does not know this section",
            where="[propeller] section",
            found=section,
            hint="a NACA number such as naca4412, or a CSV table",
        )
    angles = np.arange(-12.0, 18.01, 0.5)
    rows = []
    for number in reynolds:
        found = neuralfoil.get_aero_from_airfoil(shape, alpha=angles, Re=number, model_size=model)
        rows.append(np.column_stack([angles, np.full(angles.size, number), found["CL"], found["CD"]]))
    table = np.vstack(rows)
    return TablePolar.from_rows(
        np.radians(table[:, 0]), table[:, 1], table[:, 2], table[:, 3], where=f"section {section}"
    )
