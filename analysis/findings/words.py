"""Words that findings about injectors share: causes in the order to check, and cautions."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from analysis.amounts import amount, reach

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.view import RunView

CAUSES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "proportional pump": (
            "the shut-off valve in front of the injector, or its bypass",
            "flow below or above the injector's working range",
            "the stock tank: empty, or the suction pipe's strainer out of the stock or plugged",
            "air drawn in at the suction pipe or its fittings",
            "the pump: a worn seal or check valve, a stopped piston",
        ),
        "venturi": (
            "the valve on the suction line, and the bypass valve that makes the pressure difference",
            "too small a pressure difference across the venturi, or flow outside its range",
            "the stock tank: empty, or its strainer plugged",
            "air drawn in at the suction line",
        ),
        "metering pump": (
            "the pump's power, switch and setting, and the signal that starts it",
            "the stock tank: empty, or its strainer plugged",
            "air in the pump head",
            "the injection check valve: stuck or scaled",
        ),
        "displacement tank": (
            "the tank's inlet and outlet valves, and the throttle that drives water through it",
            "the tank: empty of stock, or closed with air in it",
            "a plugged strainer or hose",
        ),
    }
)
"""Why stock does not enter, in the order to check. Common practice of the trade, from memory; flow below the
range, closed valves, plugged strainers and air: University of Georgia Extension B1237."""

CAUTION = (
    "Shut the water and let the pressure off before you open an injector or a tank; wear gloves and eye "
    "protection with stock; never work on the line without a sound backflow preventer upstream."
)
"""What to mind with the hands on an injector."""


def flow_words(view: RunView) -> str:
    """Return words on a flow outside the injector's range, empty where it was inside or not known."""
    limits = view.injector.flow_range if view.injector is not None else None
    mean = view.run.mean_flow_l_h
    if limits is None or mean is None or limits[0] <= mean <= limits[1]:
        return ""
    side = "below" if mean < limits[0] else "above"
    return f"; the flow, {amount(mean, 'L/h')}, is {side} the injector's {reach(limits[0], limits[1], 'L/h')}"
