"""What a displacement tank did in one run and how long it lasts, as estimates and findings."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.amounts import amount
from analysis.injection.ways import NoWay
from analysis.results import ESTIMATE_UNITS, Estimate, Finding, refused
from analysis.tank.decay import TankFit, tank_fit
from analysis.tank.fit import DEPLETED
from analysis.uncertainty import Uncertain, interval_of_log, linear

if TYPE_CHECKING:
    from analysis.view import RunView

QUANTITIES = (
    "tank decay volume",
    "tank strength at start",
    "tank strength left",
    "tank volume left",
    "stock volume",
    "water to depletion",
    "time to depletion",
)
"""What `displacement_tank` estimates, in order."""


def displacement_tank(view: RunView) -> list[Estimate | Finding]:
    """Estimate a displacement tank's decay, what it gave and what is left after one run.

    Parameters
    ----------
    view : RunView
        One run.

    Returns
    -------
    list of Estimate and Finding
        The quantities of `QUANTITIES`, or one refusal for each; a finding where the tank is used up. Empty
        where the zone has no displacement tank or nothing was injected.

    Notes
    -----
    ``tank volume left`` is the stock of full strength that is still in the tank, C0 Va exp(-V/Va): it needs
    no word about when the tank was filled. ``water to depletion`` runs until 5 % of the strength at the start
    of this run.

    References
    ----------
    `analysis.tank.decay.tank_fit`.
    """
    if view.injector is None or view.injector.kind != "displacement tank" or view.run.injection is None:
        return []
    fit = tank_fit(view)
    if isinstance(fit, NoWay):
        return [
            refused(quantity, "decay fitted in volume", fit.reason, fit.sensors) for quantity in QUANTITIES
        ]
    logs = {
        "tank decay volume": fit.decay,
        "tank strength at start": fit.initial,
        "tank strength left": fit.left,
        "tank volume left": linear([1.0, 1.0, 1.0], [fit.initial, fit.decay, fit.left]),
        "stock volume": fit.given,
    }
    said: list[Estimate | Finding] = [_estimate(name, log, fit) for name, log in logs.items()]
    said += _to_depletion(fit)
    left = math.exp(fit.left.value)
    return [*said, _used_up(view, fit, left)] if left < DEPLETED else said


def _estimate(quantity: str, log: Uncertain, fit: TankFit) -> Estimate:
    """Return one quantity from its logarithm."""
    value, low, high = interval_of_log(log)
    if quantity == "tank strength left":
        high = min(high, 1.0)
    return Estimate(
        quantity,
        None,
        None,
        value,
        ESTIMATE_UNITS[quantity],
        low,
        high,
        fit.method,
        fit.sensors,
        budget=log.budget(),
    )


def _to_depletion(fit: TankFit) -> list[Estimate]:
    """Return litres and time until `DEPLETED`, from the end of the run on; 0 where it is used up."""
    wanted = -math.log(DEPLETED)
    decay, gone = math.exp(fit.decay.value), -fit.left.value
    still = wanted - gone
    # left = Va (wanted - V/Va): its terms are those of Va times what is wanted, less those of the volume
    terms = {
        source: decay * (still * fit.decay.terms.get(source, 0.0) + fit.left.terms.get(source, 0.0))
        for source in {**fit.decay.terms, **fit.left.terms}
    }
    litres = Uncertain(max(0.0, decay * still), terms)
    half = 1.96 * litres.sd
    method = f"{fit.method}; until {DEPLETED:.0%} of this run's start"
    found = []
    per_second = fit.flow_l_h / 3600.0
    for quantity, scale in (("water to depletion", 1.0), ("time to depletion", 1.0 / per_second)):
        value, low, high = (scale * max(0.0, litres.value + k * half) for k in (0, -1, 1))
        words = method if scale == 1.0 else f"{method}, at this run's {amount(fit.flow_l_h, 'L/h')}"
        found.append(
            Estimate(
                quantity,
                None,
                None,
                value,
                ESTIMATE_UNITS[quantity],
                low,
                high,
                words,
                fit.sensors,
                budget=litres.budget(),
            )
        )
    return found


def _used_up(view: RunView, fit: TankFit, left: float) -> Finding:
    """Return the finding of a tank that ran on after its stock was used up."""
    run, decay = view.run, math.exp(fit.decay.value)
    needed = -math.log(DEPLETED) * decay
    return Finding(
        "injection off target",
        run.zone,
        fit.sensors[0],
        run.start,
        run.end,
        "watch",
        left,
        "1",
        f"the tank's strength fell to {left:.1%} of its start; {amount(needed, 'L')} of water took it to "
        f"{DEPLETED:.0%}, {amount(fit.passed_l, 'L')} passed",
        (
            "the tank is used up",
            "the throttle is closed too far, so that too much water takes the tank's way",
        ),
        f"Refill the tank before the next run, or stop after {amount(needed, 'L')}. "
        "Close and vent the tank before you open it: it stands under pressure.",
    )
