"""Salt slugs: mass balance, false readings, records that hold no whole slug; and measured data with known answers."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.emitters_fit import fit_power_law
from analysis.slug import SlugError, calibration_slope, outliers, recovered_mass, slug
from benchmarks import measured_hydraulics as known
from tests.support.measured import measured

SECONDS = np.arange(0.0, 900.0)
MASS_MG = 2e5
SLOPE = 0.5


def _pulse(flow_l_h: float = 36000.0, *, base: float = 300.0, noise: float = 0.0) -> np.ndarray:
    """Return EC of a slug of `MASS_MG` in a flow; the base drifts by one in the record."""
    shape = np.exp(-0.5 * ((SECONDS - 350.0) / 45.0) ** 2)
    height = MASS_MG * 3600.0 / flow_l_h / SLOPE / np.trapezoid(shape, SECONDS)
    drift = base + SECONDS / SECONDS[-1]
    return np.asarray(drift + height * shape + np.random.default_rng(1).normal(0.0, noise, SECONDS.size))


def test_mass_over_integral_is_the_flow() -> None:
    """The flow that carried a known mass comes back, and the mass from the flow."""
    found = slug(SECONDS, _pulse(), mass_mg=MASS_MG, slope=SLOPE)

    assert found.flow == pytest.approx(36000.0, rel=2e-3)
    assert recovered_mass(found.integral, found.flow) == pytest.approx(MASS_MG)
    assert found.centroid_s == pytest.approx(350.0, abs=0.5)


def test_interval_from_noise_covers() -> None:
    """With noise, the flow lies within three of its own standard uncertainties and a tenth of a percent."""
    found = slug(SECONDS, _pulse(noise=0.5), mass_mg=MASS_MG, slope=SLOPE)

    assert abs(found.flow / 36000.0 - 1.0) < 3.0 * found.flow_u + 0.002


@pytest.mark.parametrize("false", [0.0, 999.0])
@pytest.mark.parametrize("length", [1, 2, 4, 7])
@pytest.mark.parametrize("place", [100, 300, 340, 420, 700])
def test_false_readings_are_flagged_and_no_others(false: float, length: int, place: int) -> None:
    """A run of up to seven zeros or overflows is flagged exactly, on the base and on both flanks."""
    values = _pulse(noise=0.3)
    values[place : place + length] = false

    assert np.flatnonzero(outliers(values)).tolist() == list(range(place, place + length))


def test_clean_record_has_no_flags() -> None:
    """A hundred clean noisy slugs have no reading flagged."""
    rng = np.random.default_rng(2)

    flagged = sum(int(outliers(_pulse() + rng.normal(0.0, 0.5, SECONDS.size)).sum()) for _ in range(100))

    assert flagged == 0


def test_record_that_ends_too_early_is_refused() -> None:
    """A record that stops while tracer still passes is refused, since mass is missing."""
    with pytest.raises(SlugError, match="ends before the slug has passed"):
        slug(SECONDS[:420], _pulse()[:420], mass_mg=MASS_MG, slope=SLOPE, background=(300.0, 300.0))


def test_record_without_a_slug_is_refused() -> None:
    """Noise alone is no slug."""
    noise = 300.0 + np.random.default_rng(3).normal(0.0, 1.0, 900)

    with pytest.raises(SlugError, match="no slug in the record"):
        slug(SECONDS, noise, mass_mg=MASS_MG, slope=SLOPE)


def test_calibration_tells_its_uncertainty() -> None:
    """The slope of a noisy calibration lies within three standard uncertainties of the truth."""
    added = np.arange(0.0, 7.0)
    ec = 300.0 + 1e4 * added / (500.0 + added) / 0.5 + np.random.default_rng(4).normal(0.0, 1.0, 7)

    slope, u = calibration_slope(added, ec, strength_mg_l=1e4, volume_ml=500.0)

    assert abs(slope - 0.5) < 3.0 * u


def test_power_law_needs_three_points() -> None:
    """Two points make a line but show no scatter."""
    with pytest.raises(ValueError, match="three at different pressures"):
        fit_power_law([50.0, 100.0], [1.0, 2.0])


@pytest.mark.parametrize(
    ("name", "exponent", "coefficient"),
    [("Head_loss_vs_Flow_dosing_tube_data.csv", 0.9188, 531.7), ("ewb_sprinkler1_Q_vs_P.csv", 0.4145, 3.392)],
)
def test_measured_exponents(name: str, exponent: float, coefficient: float) -> None:
    """Exponents of two measured pressure-flow curves are within 0.002 of their known answers."""
    x, k = known.curve(measured("pressure_flow_curves"), name)

    assert x == pytest.approx(exponent, abs=0.002)
    assert k == pytest.approx(coefficient, rel=0.002)


def test_measured_pulses_make_the_known_volumes() -> None:
    """Two events of a pulse meter have their known volumes within 0.1 %."""
    register = known.pulses(measured("pulse_water_meter"))

    first = known.event_gallons(register, "2019-10-04 13:11:10", "2019-10-04 13:15:10")
    second = known.event_gallons(register, "2019-10-04 13:15:58", "2019-10-04 13:18:30")

    assert (first, second) == pytest.approx((10.862559, 21.225690), rel=1e-3)


def test_measured_flow_integrates_to_the_totaliser() -> None:
    """A night of flow readings integrates to the logger's own totaliser within 0.1 %."""
    total, integral = known.totaliser(measured("pulse_water_meter"))

    assert integral == pytest.approx(total, rel=1e-3)


def test_measured_artefacts_are_flagged_exactly() -> None:
    """The 13 false readings, and no others, differ from the clean files and are flagged."""
    folder = measured("salt_slug")
    flagged = {n: known.measured_slug(folder / "with_artefacts", n).flagged for n in "ABC"}

    assert (np.flatnonzero(flagged["B"]) + 1).tolist() == [544, 545, 627, 628, 629, 630]
    assert (np.flatnonzero(flagged["C"]) + 1).tolist() == [559, 560, 561, 609, 610, 611, 612]
    assert not flagged["A"].any()
    assert not any(known.measured_slug(folder / "clean", n).flagged.any() for n in "ABC")


@pytest.mark.parametrize("name", ["A", "B", "C"])
def test_measured_flow_survives_artefacts(name: str) -> None:
    """With the artefacts the recovered flow is within 0.5 % of the clean file's."""
    folder = measured("salt_slug")

    spoiled = known.measured_slug(folder / "with_artefacts", name)

    assert spoiled.flow == pytest.approx(known.measured_slug(folder / "clean", name).flow, rel=5e-3)


def test_two_probes_agree_on_one_slug() -> None:
    """Two independent probes on one slug give the same flow within 1 %."""
    folder = measured("salt_slug") / "clean"

    assert known.measured_slug(folder, "B").flow == pytest.approx(
        known.measured_slug(folder, "C").flow, rel=0.01
    )


def test_published_flow_is_met() -> None:
    """The published 11.9 m3/s comes back within 1 %."""
    found = known.published_slug(measured("salt_slug"))

    assert found.flow / known.CUBIC_METRES == pytest.approx(11.9, rel=0.01)
