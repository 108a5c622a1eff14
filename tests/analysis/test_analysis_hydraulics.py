"""Pipes of a zone: conservation, EPANET as the reference, descriptions that contradict themselves."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.hydraulics.emitters import Emitter, emitter_flow, mixed_flow, pressure_for
from analysis.hydraulics.friction import (
    GRAVITY,
    Friction,
    density,
    friction_factor,
    friction_loss,
    kinematic_viscosity,
    regime,
)
from analysis.hydraulics.layout import Layout, LayoutError, Reach, layout_of
from analysis.hydraulics.travel import travel_times
from analysis.hydraulics.zones import ZoneFlow, zone_at_flow, zone_at_pressure
from benchmarks.networks import epanet, seeded_case
from ingest.installation import Zone

SLOPES = (-0.03, 0.0, 0.03)
EXPONENTS = (0.0, 0.05, 0.5, 1.0)


def _layout(*, exponent: float = 0.5, rise: float = 0.0, places: int = 60) -> Layout:
    """Return a zone of eight laterals on a main and a manifold."""
    return Layout(
        main=(Reach(np.array([40.0]), 33.0),),
        manifold=Reach(np.full(8, 1.5), 26.0),
        lateral=Reach(np.full(places, 0.3), 16.0, rise),
        laterals=8,
        emitters=(Emitter(2.0, 100.0, exponent),),
        elevation=0.5,
    )


def _zone(**changes: object) -> Zone:
    """Return a described zone whose 400 emitters fit its ten laterals."""
    table: dict[str, object] = {
        "emitters": [{"count": 400, "flow": "2 L/h"}],
        "manifold": {"length": "10 m", "diameter": "23 mm"},
        "laterals": {"count": 10, "length": "12 m", "diameter": "12 mm", "spacing": "0.3 m"},
    }
    return Zone.model_validate(table | changes)


@pytest.mark.parametrize("rise", SLOPES)
@pytest.mark.parametrize("exponent", EXPONENTS)
def test_emitters_give_what_the_zone_takes(exponent: float, rise: float) -> None:
    """The sum over all emitters equals the flow into the zone."""
    state = zone_at_pressure(_layout(exponent=exponent, rise=rise), 150.0)

    assert state.emitter_flow.sum() == pytest.approx(state.flow, rel=1e-6)


@pytest.mark.parametrize("rise", SLOPES)
def test_pressure_is_spent_on_friction_and_height_alone(rise: float) -> None:
    """Head pressure less every loss and rise on the way is the pressure at the last emitter."""
    layout = _layout(rise=rise)
    state = zone_at_pressure(layout, 150.0)

    lost = _way_to_the_last(layout, state)

    assert 150.0 - lost == pytest.approx(state.end_pressure, abs=1e-3)


def _way_to_the_last(layout: Layout, state: ZoneFlow) -> float:
    """Add losses and heights along main, manifold and last lateral, segment by segment. [kPa]"""
    rho_g = density(20.0) * GRAVITY / 1000.0
    lost = float(friction_loss(state.flow, 40.0, 33.0)) + rho_g * layout.elevation
    lost += sum(float(friction_loss(q, 1.5, 26.0)) for q in state.manifold_flow)
    lost += sum(float(friction_loss(q, 0.3, 16.0)) for q in state.lateral_flow[-1])
    return lost + rho_g * layout.lateral.rise * float(layout.lateral.lengths.sum())


@pytest.mark.parametrize("exponent", EXPONENTS)
def test_mean_travel_time_is_volume_over_flow(exponent: float) -> None:
    """Weighted by what each emitter gives, travel time is the pipes' volume over the zone's flow."""
    layout = _layout(exponent=exponent, rise=0.01)
    state = zone_at_pressure(layout, 150.0)
    volume = float(
        layout.main[0].volumes.sum() + layout.manifold.volumes.sum() + 8 * layout.lateral.volumes.sum()
    )

    mean = float(np.sum(state.emitter_flow * travel_times(layout, state).places)) / state.flow

    assert mean == pytest.approx(3600.0 * volume / state.flow, rel=1e-5)


def test_travel_time_scales_with_measured_flow() -> None:
    """A tenth more flow everywhere makes every travel time a tenth shorter."""
    layout = _layout()
    state = zone_at_pressure(layout, 150.0)

    faster = travel_times(layout, state, scale=1.1)

    assert faster.last == pytest.approx(travel_times(layout, state).last / 1.1)


@pytest.mark.parametrize(("seed", "exponent"), [(1, None), (2, None), (3, 0.05), (5, 0.0)])
def test_zone_agrees_with_epanet(seed: int, exponent: float | None) -> None:
    """Zone flow, end pressure and travel time are EPANET's within 0.1, 0.2 and 0.1 %."""
    case = seeded_case(seed, exponent=exponent)
    engine = epanet(case)

    ours = zone_at_pressure(case.layout, case.head_pressure, temperature=case.temperature)

    assert engine.pressures.min() > 50.0
    assert ours.flow == pytest.approx(engine.flow, rel=1e-3)
    assert ours.end_pressure == pytest.approx(engine.end_pressure, rel=2e-3)
    assert travel_times(case.layout, ours).places[-1, -1] == pytest.approx(engine.travel_s, rel=1e-3)


def test_flow_leads_back_to_its_pressure() -> None:
    """The head pressure found for a flow is the one that gives that flow."""
    layout = _layout()
    state = zone_at_pressure(layout, 137.0)

    assert zone_at_flow(layout, state.flow).head_pressure == pytest.approx(137.0, rel=1e-4)


def test_flow_that_the_pipes_cannot_take_is_refused() -> None:
    """A flow beyond the curve is refused with the flows that are possible."""
    with pytest.raises(ValueError, match=r"no head pressure up to 1000.kPa gives 1e\+05.L/h"):
        zone_at_flow(_layout(), 1e5)


def test_pressure_that_does_not_reach_the_zone_is_refused() -> None:
    """A head pressure below the height of the zone is refused."""
    with pytest.raises(ValueError, match="does not reach the last emitters"):
        zone_at_pressure(_layout(), 4.0)


def test_cold_water_rubs_more_where_flow_is_laminar() -> None:
    """At 5 °C a laminar pipe loses half as much again as at 20 °C, as viscosity says."""
    ratio = float(friction_loss(20.0, 1.0, 16.0, temperature=5.0) / friction_loss(20.0, 1.0, 16.0))

    viscous = kinematic_viscosity(5.0) * density(5.0) / (kinematic_viscosity(20.0) * density(20.0))
    assert ratio == pytest.approx(viscous, rel=1e-6)
    assert ratio == pytest.approx(1.515, rel=0.01)


def test_default_friction_keeps_to_blasius_where_it_holds() -> None:
    """From Re 5000 to 50 000 the default factor lies within 2.5 % of Blasius."""
    re = np.geomspace(5e3, 5e4, 50)

    apart = friction_factor(re) / friction_factor(re, Friction("Blasius")) - 1.0

    assert np.abs(apart).max() < 0.025


@pytest.mark.parametrize("law", ["Swamee-Jain", "Blasius"])
def test_friction_factor_has_no_jump(law: str) -> None:
    """Neighbouring Reynolds numbers have neighbouring factors, across every change of regime."""
    re = np.geomspace(100.0, 9e4, 4000)
    factor = friction_factor(re, Friction(law))  # type: ignore[arg-type]

    assert np.abs(np.diff(np.log(factor))).max() < 0.005


def test_regime_is_named() -> None:
    """Each regime has its name."""
    assert [regime(re) for re in (1e3, 3e3, 3e4, 3e5)] == [
        "laminar",
        "transitional",
        "turbulent",
        "highly turbulent",
    ]


def test_compensating_emitter_holds_its_flow_and_gives_nothing_when_empty() -> None:
    """An ideal compensating emitter gives its rated flow from 30 kPa on, less below, nothing at zero."""
    flow = emitter_flow([0.0, 10.0, 30.0, 400.0], flow=2.0, exponent=0.0)

    assert flow[[0, 2, 3]].tolist() == [0.0, 2.0, 2.0]
    assert 0.0 < flow[1] < 2.0


def test_mixture_gives_the_mean() -> None:
    """Three kinds of 1, 2 and 0.5 gal/h in equal numbers give 3.5 gal/h in three."""
    kinds = tuple(Emitter(gallons * 3.785, share=1 / 3) for gallons in (1.0, 2.0, 0.5))

    assert float(mixed_flow(100.0, kinds)) == pytest.approx(3.785 * 3.5 / 3)


def test_pressure_for_a_flow_needs_an_exponent() -> None:
    """No pressure changes the flow of an ideal regulator."""
    with pytest.raises(ValueError, match="exponent 0 must be above zero"):
        pressure_for(2.0, flow=1.0, at=100.0, exponent=0)


def test_layout_spreads_emitters_at_their_spacing() -> None:
    """The last emitter sits at the end and what is left over leads to the first."""
    layout = layout_of(
        _zone(laterals={"count": 10, "length": "12.1 m", "diameter": "12 mm", "spacing": "0.3 m"})
    )

    assert layout.lateral.lengths.size == 40
    assert layout.lateral.lengths[0] == pytest.approx(0.4)
    assert layout.lateral.lengths.sum() == pytest.approx(12.1)


def test_layout_takes_two_emitters_at_each_place() -> None:
    """Twice as many emitters as places are two at each."""
    layout = layout_of(_zone(emitters=[{"count": 800, "flow": "2 L/h"}]))

    assert (layout.lateral.lengths.size, layout.per_point) == (40, 2.0)


def test_layout_that_contradicts_itself_is_refused() -> None:
    """A count that does not fit length and spacing is refused with all three numbers."""
    with pytest.raises(LayoutError, match=r"160 emitters on 10 laterals are 16 on each, but 12.m"):
        layout_of(_zone(emitters=[{"count": 160, "flow": "2 L/h"}]))


def test_layout_without_laterals_is_refused() -> None:
    """A zone without laterals has no lateral to march."""
    with pytest.raises(LayoutError, match="both be described"):
        layout_of(Zone())
