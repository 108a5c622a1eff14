"""Every term that an estimate's budget can name has a word on what would shrink it."""

from __future__ import annotations

import pytest

from analysis.dose.grams import nutrient_dose
from analysis.injection.fraction import injection_fraction
from analysis.injection.volume import stock_volume
from analysis.results import Estimate
from analysis.tank.estimate import displacement_tank
from analysis.uncertainty_words import mend, narrower
from analysis.view import RunView
from tests.support.virtual import virtual, without

VIEWS = {
    "all sensors": lambda: virtual().view(),
    "EC alone": lambda: without(virtual().view(), "stock_meter", "stock_level"),
    "no source cell": lambda: without(virtual().view(), "source_ec"),
    "tank": lambda: virtual(900_101, kind="displacement tank").view(),
}


@pytest.mark.parametrize("case", VIEWS)
def test_every_term_has_its_mend(case: str) -> None:
    """No term of any budget is without advice, and the largest terms are told first."""
    view: RunView = VIEWS[case]()
    said = (*injection_fraction(view), *stock_volume(view), *nutrient_dose(view), *displacement_tank(view))
    told = [e for e in said if isinstance(e, Estimate) and e.budget]

    assert told
    assert [term for e in told for term in e.budget if mend(term) is None] == []
    for estimate in told:
        assert narrower(estimate.budget)[0].startswith(next(iter(estimate.budget)))


def test_unknown_term_has_none() -> None:
    """A term that nobody wrote about gets no invented advice."""
    assert mend("phase of the moon (z1)") is None
