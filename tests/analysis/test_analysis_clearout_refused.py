"""A far cell that saw no stock gives a refusal, whatever its readings do below the source water's."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.clearout.times import FarShare, NotCarriedError, observed


@pytest.mark.parametrize("depth", [0.0, 0.01, 0.3])
def test_far_point_without_stock_is_refused(depth: float) -> None:
    """Readings at or below the source water after the injection, as when that water has changed, carry no time."""
    t = np.arange(0.0, 2000.0, 5.0)
    far = FarShare(t, np.full(t.size, -depth) - 0.001 * np.cos(t) ** 2, 600.0)

    with pytest.raises(NotCarriedError, match="no stock was seen at the far point"):
        observed(far, 0.05)
