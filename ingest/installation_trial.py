"""Tables of the installation file for a trial: treatments with targets and margins, and the plots that get them."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple

from pydantic import Field, GetJsonSchemaHandler, model_validator

from ingest.installation_pipes import Emitters
from ingest.installation_types import Area, Share, Table, WaterDepth
from ingest.installation_water import areal_dose
from ingest.words import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping

    from pydantic.json_schema import JsonSchemaValue
    from pydantic_core import CoreSchema

    from ingest.installation_water import Zone

AREA_SLACK = 1.001
"""Plots may add up to this much of their zone before it is a mistake: areas are rounded. [-] No source."""


class PlotTarget(Table):
    """What each plot of a treatment should get in a run."""

    nutrients: dict[str, float] = Field(default_factory=dict)
    """Element to areal dose a run. [g/m2]"""
    water: WaterDepth | None = None
    """Water a run on the plot's ground, like "6 L/m2"."""

    @model_validator(mode="before")
    @classmethod
    def _split(cls, table: object) -> object:
        if not isinstance(table, dict) or isinstance(table.get("nutrients"), dict):
            return table
        nutrients = {
            key: areal_dose(key, value, ("water",)) for key, value in table.items() if key != "water"
        }
        water = table.get("water")
        text = water.removesuffix("per run").strip() if isinstance(water, str) else water
        return {"nutrients": nutrients} | ({} if water is None else {"water": text})

    @classmethod
    def __get_pydantic_json_schema__(
        cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Describe the table as it is written: an element is a key of its own."""
        schema: dict[str, Any] = handler.resolve_ref_schema(handler(core_schema))
        schema["properties"].pop("nutrients", None)
        schema["additionalProperties"] = {
            "type": "string",
            "description": "an element's dose",
            "examples": ["1.2 g/m2 per run"],
        }
        return schema


class Treatment(Table):
    """One treatment of a trial."""

    description: str = ""
    """What it is, for people."""
    target: PlotTarget = PlotTarget()
    """What its plots should get in each run."""
    margin: Annotated[Share, Field(gt=0.0)] | None = None
    """Largest deviation that still counts as the same dose; without it nothing is tested."""
    same_as: str | None = None
    """A treatment that should get the same dose; the two are then compared as well."""


class Plot(Table):
    """One plot of a trial. A zone may hold one plot or several."""

    treatment: str
    """The treatment that it gets."""
    zone: str
    """The zone that waters it."""
    block: str = ""
    """Its block or replicate."""
    area: Area | None = None
    """Its ground; the zone's own where it is the only plot there."""
    emitters: tuple[Emitters, ...] = ()
    """Its emitters, where they stand closer or give more than in the rest of the zone."""
    share_accuracy: Share = 0.05
    """How well its share of the zone's water is known; a catch test tells it."""


class Slip(NamedTuple):
    """One mistake in a trial's tables."""

    place: tuple[str, ...]
    """Table, name and key."""
    value: str
    """What stands there."""
    expected: str
    """What should."""


def share_of_zone(plot: Plot, zone: Zone, *, alone: bool) -> float:
    """Return a plot's share of its zone's water. [-]

    Parameters
    ----------
    plot : Plot
        The plot.
    zone : Zone
        Its zone.
    alone : bool
        Whether it is the zone's only plot, so that it is the whole zone where it states no area.

    Returns
    -------
    float
        Rated flow of its own emitters over the zone's where it states them, else its part of the zone's ground.

    Examples
    --------
    >>> from ingest.installation_water import Zone
    >>> plot = Plot.model_validate({"treatment": "a", "zone": "z", "area": "20 m2"})
    >>> share_of_zone(plot, Zone.model_validate({"area": "60 m2"}), alone=True)
    0.3333333333333333
    """
    if plot.emitters:
        return _flow(plot.emitters) / _flow(zone.emitters)
    if plot.area is None or zone.area is None:
        return 1.0 if alone else float("nan")
    return float(plot.area / zone.area)


def area_of_plot(plot: Plot, zone: Zone) -> float:
    """Return a plot's ground, the zone's where it states none. [m2]"""
    area = plot.area if plot.area is not None else zone.area
    return float("nan") if area is None else area


def _flow(groups: tuple[Emitters, ...]) -> float:
    """Return the flow of all emitters, each at its rated flow. [L/h]"""
    return float(sum(group.count * group.flow for group in groups))


def slips(
    treatments: Mapping[str, Treatment],
    plots: Mapping[str, Plot],
    zones: Mapping[str, Zone],
    stated: Mapping[str, Collection[str]],
) -> Iterator[Slip]:
    """Yield what does not hang together in a trial whose names all lead somewhere.

    Parameters
    ----------
    treatments, plots, zones : mapping
        Tables of the installation, by name.
    stated : mapping
        Zone to the nutrients that its stock states, for zones that have a stock.

    Yields
    ------
    Slip
        One for each mistake.
    """
    for name, treatment in treatments.items():
        other = treatment.same_as
        if other is not None and (other not in treatments or other == name):
            known = [key for key in treatments if key != name]
            words = ", ".join(f'"{key}"' for key in known) or "no other treatment"
            text = f"expected another treatment: {words}{did_you_mean(other, known)}"
            yield Slip(("treatment", name, "same_as"), other, text)
        yield from _not_in_stock(name, treatment, plots, stated)
    beside: dict[str, list[str]] = defaultdict(list)
    for name, plot in plots.items():
        beside[plot.zone].append(name)
    for zone, names in beside.items():
        yield from _ground(zones[zone], zone, {name: plots[name] for name in names})


def _not_in_stock(
    name: str, treatment: Treatment, plots: Mapping[str, Plot], stated: Mapping[str, Collection[str]]
) -> Iterator[Slip]:
    """Yield each nutrient of a target that the stock of one of its plots does not state."""
    for element in treatment.target.nutrients:
        for plot, row in plots.items():
            known = stated.get(row.zone)
            if row.treatment == name and known is not None and element not in known:
                words = ", ".join(f'"{key}"' for key in known) or "none"
                text = f"the stock of [plot.{plot}] states no {element}; it states {words}{did_you_mean(element, known)}"
                yield Slip(("treatment", name, "target"), "", text)
                break


def _ground(zone: Zone, zone_name: str, plots: Mapping[str, Plot]) -> Iterator[Slip]:
    """Yield what is wrong with the ground and the emitters of one zone's plots."""
    for name, plot in plots.items():
        place = ("plot", name, "area")
        if plot.area is None and (len(plots) > 1 or plot.emitters or zone.area is None):
            yield Slip(place, "", _no_area(zone, zone_name, plot))
        elif not plot.emitters and zone.area is None:
            text = f"[zone.{zone_name}] states no area, so the plot's share of its water is not known; add it there"
            yield Slip(place, "", text)
        if plot.emitters and not zone.emitters:
            text = f"[zone.{zone_name}] states no emitters, so the plot's share of its water is not known"
            yield Slip(("plot", name, "emitters"), "", text)
    yield from _too_much(zone, zone_name, plots)


def _no_area(zone: Zone, zone_name: str, plot: Plot) -> str:
    """Return why a plot needs an area."""
    if plot.emitters:
        return "this key is missing: the ground that the plot's emitters water"
    if zone.area is None:
        return f"this key is missing here and in [zone.{zone_name}]: without ground there is no dose per area"
    return f"this key is missing: [zone.{zone_name}] holds more than one plot, so each states its ground"


def _too_much(zone: Zone, zone_name: str, plots: Mapping[str, Plot]) -> Iterator[Slip]:
    """Yield plots that together have more ground or more emitters than their zone."""
    last = list(plots)[-1]
    ground = sum(plot.area or 0.0 for plot in plots.values())
    if zone.area is not None and ground > zone.area * AREA_SLACK:
        text = f"the plots of [zone.{zone_name}] add up to {ground:g} m2, and the zone has {zone.area:g} m2"
        yield Slip(("plot", last, "area"), "", text)
    flow = sum(_flow(plot.emitters) for plot in plots.values())
    if zone.emitters and flow > _flow(zone.emitters) * AREA_SLACK:
        text = f"the plots of [zone.{zone_name}] take {flow:g} L/h, and its emitters give {_flow(zone.emitters):g}"
        yield Slip(("plot", last, "emitters"), "", text)
