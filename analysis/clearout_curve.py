"""From the readings of a run to what its far point saw: excess over the drifting source water, in shares."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.clearout import FarShare, NotCarriedError
from analysis.clearout_amount import Amounts, amounts
from analysis.clearout_base import FarBase, far_base
from analysis.clearout_edges import NEAR_POINTS, NO_LAG, Edges, edges
from analysis.injection_base import base
from analysis.injection_cells import Cell, cell
from analysis.injection_totals import cumulative, seconds, usual_step

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.view import RunView

    Array = NDArray[np.float64]

FAR_POINTS = ("lateral end", "zone")
"""Where a zone's clear-out can be seen, the farthest first; a cell at the head only where it is alone."""

FEWEST = 8
"""Readings after the start of the injection that a far curve needs. [-] No source."""

CLOCK_U = 1.5
"""Standard uncertainty of a device's clock. [s] Assumed: devices on network time, read by a busy logger."""

KNOTS = 9
"""Places along the injection at which its strength is looked at. [-] No source."""

LEVEL_SHARE = 0.1
"""Last part of the injection whose mean is the step. [-] No source."""

MATCH_U = 0.003
"""How far two cells that agree on the source water may disagree on the solution. [-] Assumed: linearity of
conductivity cells over a decade; no source."""
