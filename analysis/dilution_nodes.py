"""Hand-made dilutions adjusted by least squares: what a smooth curve and each dilution's own error say together."""

from __future__ import annotations

import numpy as np
from scipy.stats import chi2

OWN_SHARE = 0.5
"""Part of the dilutions' accuracy that is each dilution's own; the rest is the meter's and the stock's, which all
of them share. [-] No source."""

LEAST_NODES = 4
"""Fewer dilutions are taken as they were read."""

BEND = (-0.015, 0.015)
"""Quadratic coefficient of ln(step / f) in ln f: usual value, and its standard deviation among stocks. [-]
Computed with PHREEQC for the seven stocks of ``benchmarks/dilution.py``, 1:12 to 1:800: -0.006 to -0.037."""

TWIST = (0.0, 0.002)
"""The same of the cubic coefficient: -0.0022 to 0.0028. [-] Computed as `BEND`."""

SHAPE_SD = 0.0006
"""Standard deviation of real nodes about such a cubic. [-] Computed as `BEND`: 0.0001 to 0.0019."""

LEAST_FALL = 0.05
"""Where the step per fraction falls towards the water by more than this for a factor e, the water's carbonate
takes up stock and no cubic follows: such nodes are not adjusted. [-] Computed as `BEND`: 0.2 for acid phosphate
in hard water at 1:800, at most 0.02 for the others."""

TOO_FAR = 1e-3
"""Nodes that lie about the cubic as badly as by this chance or less are not adjusted. [-] No source."""


def adjusted(
    fractions: tuple[float, ...], steps: tuple[float, ...], accuracy: float, *, own_share: float = OWN_SHARE
) -> tuple[float, ...]:
    """Return the steps of a dilution series freed of part of each dilution's own error.

    The logarithm of step over fraction is a cubic in ln f, whose level and slope are free and whose bend and
    twist are held near what PHREEQC gives for common salts. Its values at the dilutions take the place of the
    readings.

    Parameters
    ----------
    fractions : tuple of float
        Volume fractions, rising. [-]
    steps : tuple of float
        EC above the water's, same length. [mS/cm at 25 °C]
    accuracy : float
        Standard uncertainty of each dilution as made and measured, relative. [-]
    own_share : float
        Part of it that each dilution has for itself. [-]

    Returns
    -------
    tuple of float
        Adjusted steps; the readings themselves where there are fewer than `LEAST_NODES`, where they do not
        lie on such a curve within their errors, or where the adjusted ones would not rise. [mS/cm at 25 °C]

    Notes
    -----
    Between the dilutions `analysis.dilution.fraction_of` interpolates as before, so that a real curve that is
    no cubic is followed as far as its nodes are.

    References
    ----------
    Least squares with pseudo-observations of the coefficients: Draper and Smith, Applied Regression Analysis,
    3rd ed. (1998), ch. 17 (ridge regression as mixed estimation).

    Examples
    --------
    >>> read = (0.42, 0.836, 1.63, 3.18)
    >>> [round(s, 3) for s in adjusted((0.0025, 0.005, 0.01, 0.02), read, 0.006)]
    [0.42, 0.834, 1.635, 3.177]
    """
    own = own_share * accuracy
    if len(fractions) < LEAST_NODES or own <= 0.0 or min(steps) <= 0.0:
        return steps
    logs = np.log(fractions)
    x, y = logs - logs.mean(), np.log(steps) - logs
    sd = float(np.hypot(own, SHAPE_SD))
    design = np.vander(x, 4, increasing=True)
    held = np.array([[0.0, 0.0, 1.0 / BEND[1], 0.0], [0.0, 0.0, 0.0, 1.0 / TWIST[1]]])
    rows = np.vstack([design / sd, held])
    wanted = np.concatenate([y / sd, [BEND[0] / BEND[1], TWIST[0] / TWIST[1]]])
    found = np.linalg.lstsq(rows, wanted)[0]
    left = rows @ found - wanted
    if float(chi2.sf(left @ left, len(wanted) - len(found))) < TOO_FAR:
        return steps
    weakest = float(found[1] + 2.0 * found[2] * x[0] + 3.0 * found[3] * x[0] ** 2)
    if weakest > LEAST_FALL:
        return steps
    smooth = np.exp(design @ found + logs)
    return tuple(smooth.tolist()) if (np.diff(smooth) > 0).all() else steps
