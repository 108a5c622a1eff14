"""Travel and dispersion conserve mass and agree with a convolution done by brute force."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import invgauss

from sample_data.transport import arrived, response

CLOCK = np.arange(0.0, 12_000.0, 1.0)


@settings(max_examples=40, deadline=None)
@given(
    length=st.floats(10.0, 2000.0),
    mean=st.floats(20.0, 900.0),
    peclet=st.floats(10.0, 400.0),
    decay=st.sampled_from([0.0, 0.0005, 0.0023]),
)
def test_what_enters_comes_out(length: float, mean: float, peclet: float, decay: float) -> None:
    """The strength at a point, summed over time, is the strength that entered, summed over time."""
    out = response(CLOCK, begin_s=100.0, end_s=100.0 + length, mean_s=mean, peclet=peclet, decay=decay).sum()
    entered = length if decay == 0.0 else -np.expm1(-decay * length) / decay

    assert out == pytest.approx(entered, rel=2e-3)


@pytest.mark.parametrize("decay", [0.0, 0.0023])
def test_closed_form_is_the_convolution(decay: float) -> None:
    """The closed form agrees with the entering strength convolved with SciPy's inverse Gaussian."""
    mean, peclet, begin, end = 380.0, 120.0, 120.0, 1020.0
    shape = mean * peclet / 2.0
    ages = np.arange(0.0, 3000.0, 0.25)
    spread = invgauss.pdf(ages, mean / shape, scale=shape)
    entering = np.where((ages >= begin) & (ages < end), np.exp(-decay * (ages - begin)), 0.0)
    brute = np.convolve(entering, spread)[: len(ages)] * 0.25

    ours = response(ages, begin_s=begin, end_s=end, mean_s=mean, peclet=peclet, decay=decay)

    assert ours == pytest.approx(brute, abs=2e-3)


def test_source_that_falls_too_fast_is_refused() -> None:
    """Where the closed form has no bound, the simulator says so."""
    with pytest.raises(ValueError, match="too fast"):
        arrived(100.0, mean_s=400.0, peclet=10.0, decay=0.1)
