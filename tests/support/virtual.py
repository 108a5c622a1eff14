"""Virtual systems with one thing changed, for tests of estimates and of their refusals."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from analysis.view import RunView
from benchmarks.scenarios.make import Scenario, make

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    from ingest.installation import Installation

SEED = 900_001
"""The system that most tests look at; no benchmark uses it."""


@cache
def virtual(seed: int = SEED, **choices: Any) -> Scenario:
    """Return a virtual system, made once."""
    return make(seed, **{"transport": False, **choices})


def with_stock(view: RunView, **changes: object) -> RunView:
    """Return the view with the stock's description changed."""
    stock = view.installation.stock["S"].model_copy(update=changes)
    return _described(view, view.installation.model_copy(update={"stock": {"S": stock}}))


def with_injector(view: RunView, **changes: object) -> RunView:
    """Return the view with the injector's description changed."""
    injector = view.installation.injector["main"].model_copy(update=changes)
    return _described(view, view.installation.model_copy(update={"injector": {"main": injector}}))


def with_sensor(view: RunView, name: str, **changes: object) -> RunView:
    """Return the view with one sensor's description changed, or a new one made from another."""
    sensors = dict(view.installation.sensor)
    sensors[name] = sensors[name].model_copy(update=changes)
    return _described(view, view.installation.model_copy(update={"sensor": sensors}))


def with_zone(view: RunView, **changes: object) -> RunView:
    """Return the view with the zone's description changed."""
    zone = view.installation.zone["z1"].model_copy(update=changes)
    return _described(view, view.installation.model_copy(update={"zone": {"z1": zone}}))


def with_readings(view: RunView, name: str, change: Callable[[pd.Series], pd.Series]) -> RunView:
    """Return the view with one sensor's readings changed."""
    series = {**view.series, name: change(view.series[name])}
    return RunView(view.installation, view.run, series, view.others)


def without(view: RunView, *names: str) -> RunView:
    """Return the view without some sensors' readings."""
    series = {name: s for name, s in view.series.items() if name not in names}
    return RunView(view.installation, view.run, series, view.others)


def _described(view: RunView, installation: Installation) -> RunView:
    return RunView(installation, view.run, view.series, view.others)
