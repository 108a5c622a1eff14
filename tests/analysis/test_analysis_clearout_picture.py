"""The picture of a clear-out: its curve crosses its threshold where the estimate says, or it says why not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.clearout.curve import far_curve
from analysis.clearout.estimate import clear_out, lag_delay
from analysis.clearout.picture import Picture, picture_of
from analysis.results import Estimate
from analysis.view import RunView
from benchmarks.residence import virtual_run


def _view(*, short: bool) -> RunView:
    return virtual_run("tanks and delay", 3, short=short).view


@pytest.mark.parametrize("short", [False, True])
def test_curve_crosses_the_threshold_at_the_estimate(*, short: bool) -> None:
    """Where the drawn curve falls below the drawn threshold lies the estimate, but for the cell's own lag."""
    view = _view(short=short)
    drawn = picture_of(view)
    estimate = next(e for e in clear_out(view) if isinstance(e, Estimate))
    assert isinstance(drawn, Picture)

    above = drawn.curve_ec > drawn.threshold
    crossing = drawn.curve_times[np.flatnonzero(above)[-1]] - drawn.ended

    lag = lag_delay(far_curve(view, "end").lag, 200.0)[0]
    assert crossing - lag == pytest.approx(estimate.value, abs=15.0)
    assert drawn.method in estimate.method


def test_plateau_and_water_are_what_the_cell_read() -> None:
    """The drawn plateau is what the far cell read before it fell, the drawn water what it read before it rose."""
    view = _view(short=False)
    drawn = picture_of(view)
    assert isinstance(drawn, Picture)

    top = np.median(drawn.ec[np.abs(drawn.times - drawn.ended) < 60.0])
    assert drawn.plateau == pytest.approx(top, rel=0.01)
    assert drawn.ec[:5] == pytest.approx(drawn.water[:5], rel=0.02)
    step = drawn.plateau - np.interp(drawn.ended, drawn.times, drawn.water)
    assert drawn.threshold == pytest.approx(drawn.plateau - step * (1.0 - drawn.level), rel=0.01)


def test_picture_without_a_curve_says_why() -> None:
    """Where the clear-out is refused the readings are still drawn, with the reason and no curve."""
    view = _view(short=True)
    run = view.run
    assert run.injection is not None
    cut = replace(
        view, run=replace(run, end=run.injection.start + (run.injection.end - run.injection.start) * 0.6)
    )
    drawn = picture_of(cut)
    estimate = next(e for e in clear_out(cut) if isinstance(e, Estimate))

    assert estimate.status == "refused"
    assert isinstance(drawn, Picture | str)
    reason = drawn if isinstance(drawn, str) else drawn.reason
    assert reason == estimate.reason


def test_run_without_injection_has_no_picture() -> None:
    """A run of clear water has nothing to clear out, and the picture says so."""
    view = _view(short=False)

    assert "no stock went in" in str(picture_of(replace(view, run=replace(view.run, injection=None))))
