"""Ten findings for reading: one of each kind of trouble, as a person gets to see it."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np

from analysis.backflow.detect import backflow
from analysis.backflow.season import slow_leak_back
from analysis.diagnosis.features import REST_EC
from analysis.diagnosis.season import diagnose
from analysis.results import Feature, Finding
from analysis.view import SeasonView
from benchmarks.backflow import REST_BEFORE, START, gross_day, installation, view, zeros
from benchmarks.planted import KINDS, seasons_with
from benchmarks.season_views import season_view

if TYPE_CHECKING:
    from collections.abc import Iterator

ALONE = ("meter", "temperature")


def examples() -> Iterator[Finding]:
    """Yield ten findings."""
    for kind in KINDS:
        seasons, (effect,) = seasons_with(901, 6, (kind,))
        yield from _first(seasons_with(901, 6, (kind,))[0], int(np.argmax(effect[:, -1])))
    seasons, _ = seasons_with(902, 1, ("emitter clogging",), ALONE)
    yield from _first(seasons, 0, ALONE)
    rng = np.random.default_rng(903)
    day = gross_day(rng, 4.0, zeros(rng, 1.0), 0.3, at=REST_BEFORE + 600, running=True)
    yield from backflow(view(installation(4.0), day, run_ends=REST_BEFORE + 602))
    times = [START.replace(day=1) + np.timedelta64(i, "D") for i in range(30)]
    excess = 0.005 + rng.normal(0.0, 0.002, 30) + 0.06 * (np.arange(30) > 20)
    features = tuple(
        Feature(REST_EC, "z", t, float(v), 0.0, ("ec",)) for t, v in zip(times, excess, strict=True)
    )
    yield from slow_leak_back(SeasonView(installation(0.0), times[0], times[-1], (), (), (), features))


def _first(seasons: object, system: int, have: tuple[str, ...] | None = None) -> Iterator[Finding]:
    seen = season_view(seasons, system) if have is None else season_view(seasons, system, have)  # type: ignore[arg-type]
    found = [x for x in diagnose(seen) if isinstance(x, Finding)]
    yield from found[:1]


def main() -> None:
    """Print them."""
    for number, f in enumerate(examples(), start=1):
        size = "" if f.value is None else f", {f.value:.3g} {f.unit}"
        print(
            f"{number}. {f.kind} [{f.severity}] {f.zone or 'head'}{size}, {f.start:%-d %b} to {f.end:%-d %b}"
        )
        for part in (f.evidence, "Causes: " + "; ".join(f.likely_causes), f.advice):
            print(textwrap.fill(part, 116, initial_indent="   ", subsequent_indent="   "))


if __name__ == "__main__":
    main()
