"""The bulletins' rules in ounces and gallons: fertilizer to weigh, injection rate, nitrogen from EC."""

from __future__ import annotations

from analysis.recipe import positive

OUNCE_G = 28.349523125
"""One avoirdupois ounce. [g] Exact by definition."""

GALLON_L = 3.785411784
"""One US gallon. [L] Exact by definition."""

RULE_OF_75 = 75.0
"""ppm that 1 oz of pure nutrient makes in 100 US gal, as the bulletins round it (exact: 74.8915). [mg/L]"""

MINUTES_AND_PPM = 60e-6
"""Turns gal/min times ppm into gal/h of pure product; the bulletins' 0.006 holds the per cent. [min/h]"""


def ounces_per_100_gallons(target: float, share: float) -> float:
    """Return the weight of fertilizer in 100 US gallons of solution, by the bulletins' rule.

    Parameters
    ----------
    target : float
        Concentration of the nutrient wanted. [mg/L]
    share : float
        Nutrient's share of the fertilizer, as on the label. [-]

    Returns
    -------
    float
        Fertilizer. [oz per 100 US gal]

    References
    ----------
    Texas A&M horticulture IPM guide: oz per 100 gal = ppm / (75 x decimal share).

    Examples
    --------
    >>> round(ounces_per_100_gallons(200, 0.20), 1)
    13.3
    """
    positive(target=target, share=share)
    return target / (RULE_OF_75 * share)


def ounces_per_gallon_of_stock(target: float, share: float, parts: float) -> float:
    """Return the weight of fertilizer in a gallon of stock for a ratio of 1 in `parts`.

    Parameters
    ----------
    target : float
        Concentration of the nutrient wanted in the solution. [mg/L]
    share : float
        Nutrient's share of the fertilizer. [-]
    parts : float
        n of the ratio 1:n, 1 part in n parts of solution. [-]

    Returns
    -------
    float
        Fertilizer. [oz per US gal of stock]

    References
    ----------
    Michigan State University Extension, Ensuring proper fertilizer concentration, Table 1.

    Examples
    --------
    >>> round(ounces_per_gallon_of_stock(200, 0.20, 100), 2)
    13.33
    """
    positive(parts=parts)
    return ounces_per_100_gallons(target, share) / 100.0 * parts


def exact_ppm_of_ounce() -> float:
    """Return what 1 oz of pure nutrient makes in 100 US gal, without rounding. [mg/L]

    References
    ----------
    Definitions of the ounce and the US gallon.

    Examples
    --------
    >>> round(exact_ppm_of_ounce(), 4)
    74.8915
    """
    return OUNCE_G * 1000.0 / (100.0 * GALLON_L)


def injection_rate(flow: float, target: float, share: float) -> float:
    """Return the feed rate of a liquid product.

    Parameters
    ----------
    flow : float
        Water flow. [US gal/min]
    target : float
        Concentration wanted. [mg/L]
    share : float
        Share of the product that is the nutrient or chlorine, by mass per volume of water. [-]

    Returns
    -------
    float
        Injection rate. [US gal/h]

    Notes
    -----
    The rule takes the product to weigh as much as water; divide by its relative density otherwise.

    References
    ----------
    Management, Performance, and Applications of Micro Irrigation Systems, section 7.2.4 and Table 3.

    Examples
    --------
    >>> round(injection_rate(100, 1, 0.0525), 3)
    0.114
    """
    positive(flow=flow, target=target, share=share)
    return MINUTES_AND_PPM * flow * target / share


def nitrogen_from_ec(solution_ec: float, water_ec: float, label_ec_of_100_ppm: float) -> float:
    """Return the nitrogen that EC shows, by the label's own factor.

    Parameters
    ----------
    solution_ec, water_ec : float
        EC of the delivered solution and of the water alone. [mS/cm at 25 °C]
    label_ec_of_100_ppm : float
        EC that 100 mg/L N of this very product adds; it differs by a tenth between products of one grade.
        [mS/cm]

    Returns
    -------
    float
        Nitrogen. [mg/L]

    Raises
    ------
    ValueError
        If the solution conducts less than the water.

    References
    ----------
    Purdue Extension HO-286-W, Details of EC Measurements in Greenhouse Production.

    Examples
    --------
    >>> round(nitrogen_from_ec(1.78, 0.50, 0.64))
    200
    """
    positive(label_ec_of_100_ppm=label_ec_of_100_ppm)
    if solution_ec < water_ec:
        msg = f"the solution ({solution_ec} mS/cm) conducts less than the water ({water_ec} mS/cm)"
        raise ValueError(msg)
    return 100.0 * (solution_ec - water_ec) / label_ec_of_100_ppm
