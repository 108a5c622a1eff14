"""What other zones say about a fault of the head: they share its meter, filter, regulator and sensors."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.diagnosis.decide import masked
from analysis.diagnosis.fitting import gauss

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.diagnosis.decide import Outside
    from analysis.diagnosis.faults import Fault
    from analysis.diagnosis.study import Study

    Array = NDArray[np.float64]

NEAR = 3.0
"""Days between two zones' runs that may be compared. [d] No source."""

OWN_FAULT = 0.2
"""Odds that another zone has a fault of its own. [-] A judgement: water that clogs one zone clogs others."""

OWN_SIZE = 0.1
"""Size of flow faults of its own that would not surprise. [-] A judgement, no source."""


def odds_from_others(one: Study, day: int, others: Sequence[Study]) -> Outside:
    """Return what other zones add to the log odds of some faults of a zone.

    Parameters
    ----------
    one : Study
        The zone in question.
    day : int
        The day in question, of its table.
    others : sequence of Study
        Zones of the same head.

    Returns
    -------
    callable
        From some faults, their sizes and the covariance of these to log odds; nought for faults of the
        zone alone. [-]
    """
    near = [seen for other in others if (seen := _near(one, day, other)) is not None]

    def odds(members: tuple[int, ...], size: Array, covariance: Array) -> float:
        chosen = [i for i, m in enumerate(members) if one.faults[m].shared]
        if not chosen:
            return 0.0
        total = 0.0
        for other, z, c, healthy in near:
            twins = [_twin(one.faults[members[i]], other) for i in chosen]
            s = np.stack([np.zeros(z.size) if t is None else t.signature for t in twins], axis=1)
            wide = c + s @ covariance[np.ix_(chosen, chosen)] @ s.T
            total += _mixed(z - s @ size[chosen], wide, _own(other)) - healthy
        return total

    return odds


def _near(one: Study, day: int, other: Study) -> tuple[Study, Array, Array, float] | None:
    """Return another zone's shift at the same time, its covariance, and its density if all is well."""
    when = int(np.abs(other.table.days - one.table.days[day]).argmin())
    if abs(other.table.days[when] - one.table.days[day]) > NEAR or not other.quick.ready[when].any():
        return None
    z, c = (x[when] for x in masked(other.quick.shift, other.quick.covariance, other.quick.ready))
    return other, z, c, _mixed(z, c, _own(other))


def _twin(fault: Fault, other: Study) -> Fault | None:
    """Return the same fault of the head as another zone feels it."""
    same = (f for f in other.faults if (f.kind, f.sensor, f.what) == (fault.kind, fault.sensor, fault.what))
    return next(same, None)


def _own(other: Study) -> Array:
    """Return how a flow fault of its own would move a zone's relations, at its usual size."""
    clogged = next((f.signature for f in other.faults if f.kind == "emitter clogging"), None)
    size = other.faults[0].signature.size
    return OWN_SIZE * (np.zeros(size) if clogged is None else clogged)


def _mixed(z: Array, c: Array, own: Array) -> float:
    """Return the log density of a shift, with and without a fault of the zone's own."""
    alone = np.log(1.0 - OWN_FAULT) + gauss(z, c)
    faulty = np.log(OWN_FAULT) + gauss(z, c + np.outer(own, own))
    return float(np.logaddexp(alone, faulty))
