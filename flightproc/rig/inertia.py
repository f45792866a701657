"""The bifilar pendulum: the unit's roll inertia."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..channels import GRAVITY
from ..display import displayed
from ..errors import RigError
from ..quantity import Quantity

if TYPE_CHECKING:
    from ..sheets import InertiaEntry

__all__ = ["RollInertia", "amplitude_factor", "bifilar_inertia", "damping_factor", "reduce_inertia"]

Array = NDArray[np.float64]

_DRAWS = 10_000
_REACTION = 0.2  # [s] of one timing by hand, start and stop together
_AMPLITUDE = 0.25  # relative standard uncertainty of an amplitude given without one
_NODES = 16
_MISCOUNT = 0.04  # relative distance from the median at which a swing may have been miscounted
_REFUTED = 0.05  # probability of the scatter below which what is stated does not hold
_ENOUGH = 4  # timings whose scatter may stand for their uncertainty
_LEAST_DOF = 3  # below which a t distribution has no standard deviation


@displayed
@dataclass(frozen=True)
class RollInertia:
    """What a bifilar pendulum gives.

    Attributes
    ----------
    inertia : Quantity
        About the roll axis through the centre of gravity [kg m^2], with its budget.
    words : tuple of str
        What was found, and what to doubt.
    period : Quantity
        Of one full swing as timed [s].
    large_angle : float
        Period at the amplitude over that of small swings [1].
    damping : float
        Period with damping over that without [1].
    mass, mass_std : float
        What hung on the lines [kg].

    Examples
    --------
    >>> import flightproc as fp
    >>> from flightproc.sheets import InertiaEntry
    >>> aircraft = fp.load_aircraft("sample_logs/school-wing-28/aircraft.toml")
    >>> pendulum = InertiaEntry(
    ...     mass_kg=118.0,
    ...     line_spacing_m=0.8,
    ...     line_length_m=2.5,
    ...     swings=10,
    ...     times_s=(29.6, 29.4, 29.7),
    ...     amplitude_deg=10.0,
    ... )
    >>> tests = fp.reduce_ground(aircraft.model_copy(update={"inertia": pendulum}))
    >>> print(tests.inertia.inertia)
    16.33 ± 0.20 kg m^2
    """

    inertia: Quantity
    words: tuple[str, ...]
    period: Quantity
    large_angle: float
    damping: float
    mass: float
    mass_std: float

    def about_hang_points(self, hang_arm: Quantity) -> Quantity:
        """Return the inertia about the line of the hang points, I + m h^2 [kg m^2].

        Parameters
        ----------
        hang_arm : Quantity
            Centre of gravity below the hang points [m].
        """
        if self.inertia.value is None or hang_arm.value is None:
            return Quantity.unknown("kg m^2", "inertia or hang arm is unknown")
        h, m = hang_arm.value, self.mass
        parts = {
            "inertia": self.inertia.std or 0.0,
            "hang arm": 2.0 * m * h * (hang_arm.std or 0.0),
            "mass": h * h * self.mass_std,
        }
        kept = {name: part for name, part in parts.items() if part > 0.0}
        return Quantity.of(self.inertia.value + m * h * h, math.hypot(*parts.values()), "kg m^2", budget=kept)


def bifilar_inertia(mass: float, spacing: float, length: float, period: float) -> float:
    r"""Return the inertia of a bifilar pendulum from the period of small undamped swings [kg m^2].

    Parameters
    ----------
    mass : float
        What hangs on the lines [kg].
    spacing, length : float
        Distance between the parallel lines, and their length [m].
    period : float
        Of a full swing [s].

    Notes
    -----
    :math:`I = m g d^2 T^2 / (16 \pi^2 L)`.

    References
    ----------
    .. [1] W. Thomson, M. D. Dahleh, Theory of Vibration with Applications, 5th ed., chapter 2, problems
       (from memory).

    Examples
    --------
    >>> round(bifilar_inertia(25.0, 1.0, 2.0, 2.4), 4)
    4.4713
    """
    return mass * GRAVITY * spacing**2 * period**2 / (16.0 * math.pi**2 * length)


def damping_factor(ratio: float) -> float:
    r"""Return the period with damping over that without.

    Parameters
    ----------
    ratio : float
        An amplitude over that one full swing later; 1 without damping.

    Notes
    -----
    Of a linear oscillator, :math:`\sqrt{1 + (\ln r / 2 \pi)^2}`. Resistance with the square of the speed
    changes the period in second order only, too.

    Examples
    --------
    >>> round(damping_factor(1.5), 5)
    1.00208
    """
    return math.sqrt(1.0 + (math.log(ratio) / (2.0 * math.pi)) ** 2)


def amplitude_factor(
    amplitude: ArrayLike, spacing: ArrayLike, length: ArrayLike, gyration: ArrayLike
) -> Array:
    r"""Return the period of a bifilar pendulum at an amplitude over that of small swings.

    Parameters
    ----------
    amplitude : array_like, shape (n,)
        From the middle to one side [rad].
    spacing, length : array_like, shape (n,)
        Distance between the parallel lines, and their length [m].
    gyration : array_like, shape (n,)
        Radius of gyration about the upright axis [m].

    Returns
    -------
    ndarray, shape (n,)

    Notes
    -----
    Turned by theta, the body rises by :math:`z = L - \sqrt{L^2 - d^2 \sin^2(\theta / 2)}`. From the energy
    :math:`(k^2 + z'^2)\dot\theta^2 / 2 + g z = g z_0`,

    .. math:: T = 4 \int_0^{\theta_0} \sqrt{\frac{k^2 + z'^2}{2 g (z_0 - z)}}\,d\theta

    with :math:`\theta = \theta_0 \sin u` by Gauss-Legendre quadrature. For long lines it is
    :math:`2 K(\sin(\theta_0 / 2)) / \pi`, that of a plain pendulum.

    Examples
    --------
    >>> float(amplitude_factor(np.radians(20.0), 1.0, 2.0, 0.4)[0].round(5))
    1.00916
    """
    arrays = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(x, dtype=float)) for x in (amplitude, spacing, length, gyration))
    )
    top, d, line, k = (x[:, None] for x in arrays)
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    u = 0.25 * math.pi * (nodes + 1.0)
    theta = top * np.sin(u)
    reach0 = d * np.sin(0.5 * top)
    reach = d * np.sin(0.5 * theta)
    height0, height = np.sqrt(line**2 - reach0**2), np.sqrt(line**2 - reach**2)
    # z0 - z, without the difference of near equals
    fall = d**2 * np.sin(0.5 * (top + theta)) * np.sin(0.5 * (top - theta)) / (height0 + height)
    slope = 0.25 * d**2 * np.sin(theta) / height
    speed = np.sqrt((k**2 + slope**2) / (2.0 * GRAVITY * fall))
    period = math.pi * np.sum(weights * speed * top * np.cos(u), axis=1)
    small = 4.0 * math.pi * k[:, 0] * np.sqrt(line[:, 0] / GRAVITY) / d[:, 0]
    return np.asarray(period / small, dtype=float)


def reduce_inertia(entry: InertiaEntry, *, seed: int = 1) -> RollInertia:
    r"""Reduce a bifilar pendulum to the roll inertia about the centre of gravity.

    Parameters
    ----------
    entry : InertiaEntry
        The table ``[inertia]``.
    seed : int
        Of the Monte Carlo draws.

    Returns
    -------
    RollInertia

    Raises
    ------
    RigError
        Where the times do not agree enough to be those of one pendulum.

    Notes
    -----
    The mean time of a swing is divided by the factor of damping and that of the amplitude
    (:func:`damping_factor`, :func:`amplitude_factor`), and :func:`bifilar_inertia` gives the inertia. As the
    amplitude's factor depends on it in small part, a few rounds are made.

    Timing: as stated, widened where the scatter is more; by the scatter alone, as a t distribution, where it
    refutes what is stated (5 %), or where nothing is stated and there are four timings or more. The t
    distribution has no less than 3 degrees of freedom, so that it has a standard deviation. The square of the
    period and the amplitude are not linear: the distribution is drawn [1]_, the budget is of first order.

    References
    ----------
    .. [1] JCGM 101:2008, 5.9.

    Examples
    --------
    >>> from flightproc.sheets import InertiaEntry
    >>> entry = InertiaEntry(
    ...     mass_kg=25.0, line_spacing_m=1.0, line_length_m=2.0, swings=10, times_s=(24.02, 23.98, 24.06),
    ...     amplitude_deg=5.0, time_std_s=0.1,
    ... )
    >>> print(reduce_inertia(entry).inertia)
    4.474 ± 0.097 kg m^2
    """
    times = np.array(entry.times_s, dtype=float) / entry.swings
    period = float(times.mean())
    spread = float(np.max(np.abs(times / np.median(times) - 1.0)))
    if spread > 0.25:
        raise RigError(
            "the timings differ too much to be of one pendulum",
            where="[inertia] times_s",
            found=", ".join(f"{t:g}" for t in entry.times_s),
            allowed="timings within a quarter of each other",
            hint="each is the time of the same number of full swings, there and back; strike the odd one",
        )
    stated, by_scatter = entry.time_std_s, False
    if stated is None and times.size < _ENOUGH:
        stated = _REACTION
    scatter = float(times.std(ddof=1)) * entry.swings if times.size > 1 else 0.0
    dof = times.size - 1
    if stated is None or (dof and _chance(dof, dof * (scatter / stated) ** 2) < _REFUTED):
        by_scatter = True
    one = scatter if stated is None else max(scatter, stated)
    period_std = one / entry.swings / math.sqrt(times.size)
    freedom = max(dof, _LEAST_DOF)
    ratio = 1.0 if entry.damping is None else entry.damping
    damped = damping_factor(ratio)
    amplitude = math.radians(entry.amplitude_deg)
    amplitude_std = (
        _AMPLITUDE * amplitude if entry.amplitude_std_deg is None else math.radians(entry.amplitude_std_deg)
    )

    def inertia(x: Array, factor: Array | float = 1.0, rounds: int = 4) -> tuple[Array, Array]:
        m, d, line, t, top = x
        small = m * GRAVITY * d**2 * (t / damped) ** 2 / (16.0 * math.pi**2 * line)
        out, factor = small / np.square(factor), np.broadcast_to(factor, small.shape)
        for _ in range(rounds):
            factor = amplitude_factor(top, d, line, np.sqrt(out / m))
            out = small / factor**2
        return out, factor

    centre = np.array(
        [entry.mass_kg, entry.line_spacing_m, entry.line_length_m, period, amplitude], dtype=float
    )
    stds = np.array(
        [entry.mass_std_kg, entry.line_spacing_std_m, entry.line_length_std_m, period_std, amplitude_std]
    )
    values, factors = inertia(centre[:, None])
    value, factor = float(values[0]), float(factors[0])
    steps = np.where(stds > 0.0, 0.05 * stds, 0.0)
    names = ("mass", "line spacing", "line length", "timing", "amplitude")
    parts: dict[str, float] = {}
    for i, name in enumerate(names):
        if stds[i] > 0.0:
            step = steps * (np.arange(5) == i)
            ends = [inertia((centre + sign * step)[:, None])[0][0] for sign in (1.0, -1.0)]
            parts[name] = float(abs(ends[0] - ends[1]) / 0.1)
    rng = np.random.default_rng(seed)
    normal = rng.standard_normal((5, _DRAWS))
    if by_scatter:
        normal[3] = rng.standard_t(freedom, _DRAWS)
    draws = centre[:, None] + stds[:, None] * normal
    sound = np.all(draws > 0.02 * centre[:, None], axis=0)
    sound &= draws[1] * np.sin(0.5 * np.minimum(draws[4], math.pi)) < 0.98 * draws[2]
    # one round from the factor of the estimate, on which the inertia hangs in small part
    found, _ = inertia(draws[:, sound], factor=factor, rounds=1)
    quantity = Quantity.from_samples(found, "kg m^2", value=value, budget=parts)
    return RollInertia(
        inertia=quantity,
        words=_words(entry, quantity, spread, scatter, factor, damped),
        period=Quantity.of(period, period_std, "s", dof=freedom if by_scatter else math.inf),
        large_angle=factor,
        damping=damped,
        mass=entry.mass_kg,
        mass_std=entry.mass_std_kg,
    )


def _chance(dof: int, chi2: float) -> float:
    from scipy.special import chdtrc

    return float(chdtrc(dof, chi2))


def _words(
    entry: InertiaEntry, inertia: Quantity, spread: float, scatter: float, factor: float, damped: float
) -> tuple[str, ...]:
    words = [f"{len(entry.times_s)} timings of {entry.swings} swings: roll inertia {inertia.text()}"]
    if inertia.budget:
        first = max(inertia.budget, key=lambda name: inertia.budget[name])
        words.append(f"most of the uncertainty comes from: {first}")
    words.append(
        f"taken off: {100.0 * (factor**2 - 1.0):.2f} % for the size of the swings, "
        f"{100.0 * (damped**2 - 1.0):.2f} % for damping"
    )
    if spread > max(_MISCOUNT, 0.4 / entry.swings):
        words.append(
            f"one timing stands {100.0 * spread:.0f} % off the others; one swing in {entry.swings} "
            f"miscounted makes {100.0 / entry.swings:.0f} %"
        )
    if len(entry.times_s) == 1:
        words.append("a single timing: nothing tells whether it repeats")
    elif entry.time_std_s is not None and scatter > 0.0:
        dof = len(entry.times_s) - 1
        if _chance(dof, dof * (scatter / entry.time_std_s) ** 2) < _REFUTED:
            words.append(
                f"the timings scatter by {scatter:.2f} s, more than the {entry.time_std_s:g} s stated; the "
                "interval follows the scatter"
            )
    if entry.amplitude_deg > 30.0:
        words.append("swings beyond 30 deg: the correction is exact, the amplitude seldom is")
    return tuple(words)
