"""The simulator's own solver against closed forms and conservation."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from ingest.installation import Zone
from sample_data.pipes import loss, steady

if TYPE_CHECKING:
    from ingest.installation import Installation

ZONES = ("bench1", "bench2", "border")


def test_travel_time_of_equal_emitters_is_the_harmonic_sum() -> None:
    """100 emitters of 1.6 L/h, 0.30 m apart in 16 mm pipe: 11.734 min to the last (handbook, computed)."""
    zone = Zone.model_validate(
        {
            "emitters": [{"count": 100, "flow": "1.6 L/h", "exponent": 0.0}],
            "manifold": {"length": "0.001 m", "diameter": "16 mm"},
            "laterals": {"count": 1, "length": "30 m", "diameter": "16 mm", "spacing": "0.3 m"},
        }
    )

    assert steady(zone, head_kpa=100.0).travel[-1, -1] / 60.0 == pytest.approx(11.734, abs=0.0005)


def test_loss_is_the_handbooks_for_full_flow() -> None:
    """160 L/h through 30 m of 16 mm loses 0.1916 m at 20 °C, a little more at the simulator's 15 °C."""
    warm_to_cold = (1.139 / 1.004) ** 0.25

    assert float(loss(160.0, 30.0, 16.0)) / 9.80665 == pytest.approx(0.19160 * warm_to_cold, rel=0.002)


@pytest.mark.parametrize("name", ZONES)
def test_each_emitter_obeys_its_law(installation: Installation, name: str) -> None:
    """The last emitter's flow is what its law gives at the pressure found there: the solver has converged."""
    zone = installation.zone[name]
    solved = steady(zone, head_kpa=115.0)
    kind = zone.emitters[0]

    assert solved.emitters[-1, -1] == pytest.approx(kind.flow * (solved.end / kind.at) ** kind.exponent)
    assert solved.emitters.sum() == pytest.approx(solved.flow)
    assert solved.emitters.size == kind.count


@pytest.mark.parametrize("name", ZONES)
def test_water_in_the_pipes_agrees_with_the_travel_times(installation: Installation, name: str) -> None:
    """Flow-weighted mean travel time times flow is the volume of the pipes: no water is lost or made."""
    zone = installation.zone[name]
    assert zone.manifold is not None
    assert zone.laterals is not None
    solved = steady(zone, head_kpa=115.0)
    pipes = [*zone.main, zone.manifold, *[zone.laterals] * zone.laterals.count]
    volume_l = sum(np.pi / 4.0 * (pipe.diameter / 1000.0) ** 2 * pipe.length * 1000.0 for pipe in pipes)

    held = float((solved.travel * solved.emitters).sum()) / 3600.0

    assert held == pytest.approx(volume_l, rel=1e-6)


def test_clogged_emitters_let_less_through(installation: Installation) -> None:
    """A tenth less opening gives nearly a tenth less flow, because the pressure rises a little."""
    zone = installation.zone["bench2"]
    clean, clogged = (steady(zone, head_kpa=115.0, open_share=share).flow for share in (1.0, 0.9))

    assert 0.9 < clogged / clean < 0.91


def test_zone_without_pipes_is_refused() -> None:
    """What cannot be solved is refused, not guessed."""
    with pytest.raises(ValueError, match="needs emitters, a manifold and laterals"):
        steady(Zone(), head_kpa=100.0)
