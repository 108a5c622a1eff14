"""The pressures that the description implies, from the supply to the zones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.hydraulics.layout import LayoutError, layout_of
from analysis.hydraulics.zones import ZoneFlow, zone_at_pressure

if TYPE_CHECKING:
    from analysis.hydraulics.layout import Layout
    from ingest.installation import Installation, Zone


@dataclass(frozen=True, slots=True)
class Worked:
    """One zone, solved at its working pressure.

    Attributes
    ----------
    layout : Layout
        Its pipes.
    state : ZoneFlow
        Its steady state.
    head_pressure : float
        Pressure where its main begins. [kPa]
    """

    layout: Layout
    state: ZoneFlow
    head_pressure: float


def head_pressure(installation: Installation) -> float | None:
    """Return the pressure that the head gives to the zones.

    Parameters
    ----------
    installation : Installation
        The system as described.

    Returns
    -------
    float or None
        The regulator's, where it is described and the supply can hold it after the clean filter; else the
        supply's less the clean filter's loss; None where neither is described, or where a regulator of
        unknown setting stands in the head. [kPa]

    References
    ----------
    Pressure balance of the head.

    Examples
    --------
    >>> from analysis.commissioning.example import garden
    >>> head_pressure(garden())
    130.0
    """
    head, supply = installation.head, installation.supply
    if "pressure regulator" in head.order and head.regulator_pressure is None:
        return None
    available = None if supply.pressure is None else supply.pressure - (head.filter_clean_loss or 0.0)
    known = [p for p in (head.regulator_pressure, available) if p is not None]
    return min(known) if known else None


def static_pressure(installation: Installation) -> float | None:
    """Return the pressure that an injector stands with closed valves.

    Returns
    -------
    float or None
        The regulator's set pressure where one stands before the injector, else the supply's; None where it
        is not described. [kPa]

    Notes
    -----
    A regulator that does not close tightly lets the supply's whole pressure through at rest.
    """
    order = installation.head.order
    regulated = (
        "injector" in order
        and "pressure regulator" in order
        and order.index("pressure regulator") < order.index("injector")
        and installation.head.regulator_pressure is not None
    )
    return installation.head.regulator_pressure if regulated else installation.supply.pressure


def work(zone: Zone, pressure: float | None) -> Worked | str:
    """Return a zone at its working pressure, or why it cannot be computed.

    Parameters
    ----------
    zone : Zone
        The zone as described.
    pressure : float or None
        Pressure that the head gives. [kPa]

    Returns
    -------
    Worked or str
        The solved zone, or the reason.

    References
    ----------
    `analysis.hydraulics.zones`.
    """
    if pressure is None:
        return "the pressure that the head gives is not described: the regulator's setting or the supply's"
    try:
        layout = layout_of(zone)
        return Worked(layout, zone_at_pressure(layout, pressure), pressure)
    except LayoutError as error:
        return str(error)
    except ValueError as error:
        return str(error)
