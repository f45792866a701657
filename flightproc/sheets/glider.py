"""The glider sheet."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from .fields import Field, Finding, Sheet, rule

__all__ = ["GliderSheet"]


class GliderSheet(Sheet):
    """The wing, mostly from its maker's data sheet.

    Examples
    --------
    >>> from flightproc.sheets import GliderSheet
    >>> GliderSheet(name="school wing 28",
    ...     flat_area_m2=28.0,
    ...     projected_area_m2=23.9,
    ...     flat_span_m=11.8,
    ...     projected_span_m=9.3,
    ...     line_length_m=7.1,
    ...     trim_speed_m_s=10.8,
    ... ).trim_speed_m_s
    10.8
    """

    name: Annotated[
        str, Field("the glider and its size", kind="text", low=1, high=100, example="school wing 28")
    ]
    flat_area_m2: Annotated[
        float, Field("area laid out flat", "m2", 8, 70, how="data sheet", typical="18 to 32", example=28.0)
    ]
    projected_area_m2: Annotated[
        float,
        Field("area projected in flight", "m2", 6, 65, how="data sheet; about 0.85 of flat", example=23.9),
    ]
    flat_span_m: Annotated[
        float, Field("span laid out flat", "m", 5, 20, how="data sheet", typical="9 to 13", example=11.8)
    ]
    projected_span_m: Annotated[
        float, Field("span projected in flight", "m", 4, 19, how="data sheet; about 0.8 of flat", example=9.3)
    ]
    line_length_m: Annotated[
        float,
        Field(
            "length from hang points to canopy at mid span",
            "m",
            2,
            15,
            how="data sheet, or tape",
            typical="6 to 8",
            example=7.1,
        ),
    ]
    trim_speed_m_s: Annotated[
        float,
        Field(
            "true airspeed at trim, hands up, at the mass flown",
            "m/s",
            5,
            25,
            how="data sheet, or an earlier sortie",
            typical="9.5 to 13",
            example=10.8,
        ),
    ]
    turn_coefficient: Annotated[
        float | None,
        Field(
            "turn per roll moment cL in psi_dot b / (2 V) = cL L / (q S b), where an earlier sortie gave it",
            low=0.01,
            high=50,
            how="the calibration of an earlier sortie",
            typical="1 to 6",
            example=2.4,
        ),
    ] = None
    turn_coefficient_std: Annotated[
        float | None, Field("standard uncertainty of turn_coefficient", low=0, high=50, example=0.4)
    ] = None
    wing_class: Annotated[
        Literal["beginner", "intermediate", "advanced", "competition"] | None,
        Field(
            "whom the glider is made for; only used to set gliders against each other",
            kind="text",
            choices=("beginner", "intermediate", "advanced", "competition"),
            how="data sheet",
            example="beginner",
        ),
    ] = None
    lowest_mass_kg: Annotated[
        float | None,
        Field(
            "least all-up mass for which the glider is certified",
            "kg",
            30,
            400,
            how="data sheet",
            example=85.0,
        ),
    ] = None
    highest_mass_kg: Annotated[
        float | None,
        Field(
            "greatest all-up mass for which the glider is certified under power",
            "kg",
            30,
            600,
            how="data sheet",
            example=140.0,
        ),
    ] = None

    @rule("flat_area_m2", "projected_area_m2", words="`projected_area_m2` is no more than `flat_area_m2`")
    def _check_area(self: Any) -> Iterator[Finding]:
        if self.projected_area_m2 > self.flat_area_m2:
            yield "projected_area_m2", "no more than flat_area_m2"

    @rule("flat_span_m", "projected_span_m", words="`projected_span_m` is no more than `flat_span_m`")
    def _check_span(self: Any) -> Iterator[Finding]:
        if self.projected_span_m > self.flat_span_m:
            yield "projected_span_m", "no more than flat_span_m"

    @rule("flat_area_m2", "flat_span_m", words="flat span squared over flat area is 2 to 10")
    def _check_aspect(self: Any) -> Iterator[Finding]:
        aspect = self.flat_span_m**2 / self.flat_area_m2
        if not 2.0 <= aspect <= 10.0:
            yield "flat_span_m", f"a span that suits flat_area_m2; aspect ratio {aspect:.1f}, allowed 2 to 10"

    @rule(
        "turn_coefficient",
        "turn_coefficient_std",
        words="`turn_coefficient_std` goes with `turn_coefficient` only",
    )
    def _check_coefficient(self: Any) -> Iterator[Finding]:
        if self.turn_coefficient is None and self.turn_coefficient_std is not None:
            yield "turn_coefficient_std", "only together with turn_coefficient"

    @rule("lowest_mass_kg", "highest_mass_kg", words="`lowest_mass_kg` is less than `highest_mass_kg`")
    def _check_masses(self: Any) -> Iterator[Finding]:
        if (
            self.lowest_mass_kg is not None
            and self.highest_mass_kg is not None
            and not self.lowest_mass_kg < self.highest_mass_kg
        ):
            yield "highest_mass_kg", "more than lowest_mass_kg"

    def wing_loading(self, all_up_mass_kg: float, *, projected: bool = False) -> float:
        """Return all-up mass over area [kg/m^2].

        Examples
        --------
        >>> wing = GliderSheet(name="school wing 28", flat_area_m2=28, projected_area_m2=24, flat_span_m=11.8,
        ...     projected_span_m=9.3, line_length_m=7.1, trim_speed_m_s=10.8)
        >>> wing.wing_loading(126.0)
        4.5
        """
        return all_up_mass_kg / (self.projected_area_m2 if projected else self.flat_area_m2)
