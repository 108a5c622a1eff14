"""Trend tests and control charts agree with published tables and with reference libraries."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from analysis.trend import cusum, ewma, mann_kendall, theil_sen

MONTGOMERY = [
    102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1,
    101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0,
]  # fmt: skip
"""Montgomery and Runger (2002), example 16-6."""

NIST = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip
"""NIST/SEMATECH e-Handbook 6.3.2.3, group means (from memory)."""


def test_cusum_agrees_with_the_printed_table() -> None:
    """Both sums of all twenty rows are those of Montgomery and Runger's table 16-7."""
    up, down = cusum(MONTGOMERY, target=99.0, slack=1.0)

    printed_up = [2.0, 0, 0, 0, 2.0, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
    printed_down = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]
    assert np.allclose(up, printed_up, atol=0.051)
    assert np.allclose(down, printed_down, atol=0.051)


def test_cusum_signals_where_nist_does() -> None:
    """The upper sum passes h = 4.1959 first at group 14, with 4.94, and ends at 19.03."""
    up, _ = cusum(NIST, target=325.0, slack=0.3175)

    assert int(np.argmax(up > 4.1959)) == 13
    assert up[13] == pytest.approx(4.94, abs=0.006)
    assert up[-1] == pytest.approx(19.03, abs=0.006)


@pytest.mark.parametrize("seed", range(6))
def test_mann_kendall_agrees_with_the_reference_library(seed: int) -> None:
    """S, variance and Z are those of pymannkendall, with and without ties; so is the slope."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pymannkendall  # noqa: PLC0415 - its import warns

    rng = np.random.default_rng(seed)
    x = rng.normal(size=40) + 0.03 * seed * np.arange(40)
    x = np.round(x, 1) if seed % 2 else x
    theirs = pymannkendall.original_test(x)
    ours = mann_kendall(x)

    assert ours.s == theirs.s
    assert ours.variance == pytest.approx(theirs.var_s)
    assert ours.z == pytest.approx(theirs.z)
    assert ours.p == pytest.approx(theirs.p)
    assert theil_sen(x)[0] == pytest.approx(theirs.slope)


def test_mann_kendall_needs_three_values() -> None:
    """Two values are refused by number."""
    with pytest.raises(ValueError, match="at least 3 values, got 2"):
        mann_kendall([1.0, np.nan, 2.0])


def test_short_series_use_the_exact_law() -> None:
    """Five rising values have the two-sided exact probability 2/120."""
    assert mann_kendall([1, 2, 3, 4, 5]).p == pytest.approx(2 / 120)


def test_ewma_agrees_with_pandas() -> None:
    """The average is that of pandas' unadjusted one."""
    pd = pytest.importorskip("pandas")
    x = np.random.default_rng(1).normal(size=50)

    assert np.allclose(ewma(x, weight=0.15, start=x[0]), pd.Series(x).ewm(alpha=0.15, adjust=False).mean())


def test_step_lies_where_the_reference_library_puts_it() -> None:
    """The cumulative sum starts to rise where ruptures finds the change."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import ruptures  # noqa: PLC0415 - its import warns

    x = np.random.default_rng(3).normal(size=120)
    x[70:] += 3.0
    up, _ = cusum(x, target=0.0, slack=1.5)
    start = int(np.flatnonzero(up[:75] == 0.0)[-1]) + 1
    theirs = ruptures.Binseg(model="l2").fit(x).predict(n_bkps=1)[0]

    assert abs(start - theirs) <= 2
