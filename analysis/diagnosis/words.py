"""Words for findings about a zone's hydraulics: causes in the order to check, what to do, what waiting costs."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Mapping

DATE = "%-d %B %Y"
"""How a day is written in a sentence."""

CHEMICALS = (
    "Acid and chlorine burn and must never meet: follow the label and local rules, wear the protection it "
    "names, add acid to water and not water to acid, and inject only behind a sound backflow preventer."
)
"""The usual caution before lines are treated."""

PRESSURE = "Shut the valve and let the pressure off before you open anything."
"""The usual caution before a line is opened."""


class Words(NamedTuple):
    """What is said about one kind of finding.

    Attributes
    ----------
    causes : tuple of str
        In the order to check.
    first : str
        What to do first.
    waiting : str
        What it costs to wait.
    """

    causes: tuple[str, ...]
    first: str
    waiting: str


WORDS: Mapping[str, Words] = MappingProxyType(
    {
        "emitter clogging": Words(
            (
                "solids that pass the filter: a torn screen, a wrong mesh, a seal",
                "scale or fertilizer precipitate: compare the water analysis and the stocks",
                "slime from bacteria or algae",
                "laterals that were pinched or closed off",
            ),
            "Open the far ends of a few laterals into a bucket and look at what comes out, then catch the flow "
            "of 20 emitters or more, the far ends among them.",
            "What clogs emitters sets harder with time, and plants at the clogged ones get less water and feed "
            "than the zone's total shows.",
        ),
        "filter clogging": Words(
            (
                "a screen or disc that needs cleaning",
                "a backwash that does not start or lasts too short",
                "dirtier water: well, pond or mains after works",
                "a filter valve left half closed",
            ),
            f"Clean or backwash the filter and note it with `tricklebook service add`. {PRESSURE}",
            "The zone loses that pressure; a screen with too much loss can tear and let dirt through to the "
            "emitters.",
        ),
        "leak": Words(
            (
                "a lateral end, a coupling or a bitten tube in the zone",
                "a flush valve or an end cap left open",
                "a burst or loose fitting on the main or manifold",
                "emitters added or replaced by larger ones",
            ),
            "Walk the zone while it runs: look for wet ground, hissing and a lateral that stays soft.",
            "The water and the feed run off where nobody wants them, and the rest of the zone gets less.",
        ),
        "pressure regulation": Words(
            (
                "a regulator that drifted, sticks or was turned",
                "a supply pressure too low for the regulator to work",
                "dirt in the regulator or its pilot",
            ),
            "Read the pressure behind the regulator with a gauge you trust, running and at rest, and compare "
            "the supply's pressure with what the regulator needs.",
            "Every emitter that does not compensate gives more or less with it, and so do times and doses.",
        ),
        "flow meter drift": Words(
            (
                "a meter that wears, scales up or holds a stone or air",
                "a changed pulse value or a device that was set anew",
                "a meter too near to a bend or a valve that was moved",
            ),
            "Measure one run against a tank or a bucket of known volume, or against the water bill's meter.",
            "Volumes, doses and ratios that rest on this meter are off by the same share.",
        ),
        "valve fault": Words(
            (
                "a valve that does not open fully: its diaphragm, its flow screw, its voltage",
                "a valve in the main left half closed",
                "a pinched, crushed or partly blocked main or manifold",
            ),
            f"Look at the zone's valve and along its main while it runs. {PRESSURE}",
            "The zone runs at less pressure than it was laid out for, the far emitters most.",
        ),
        "sensor fault": Words(
            (
                "a pressure sensor whose zero has moved: frost, a pressure blow, age",
                "air or dirt in the sensor's tapping",
                "a wrong range, unit or calibration entered",
            ),
            "Compare it with a gauge at the same tapping, running and with the line open to the air; then "
            "calibrate it and note it with `tricklebook service add`.",
            "Everything that rests on this sensor is off, the judgement of clogging among it.",
        ),
    }
)
"""Kind to its words. Causes: common practice of the trade, from memory."""

UNEXPLAINED = Words(
    (),
    "Do the first check of each cause, in the order given.",
    "Something has changed for good; until it is known what, the flow of this zone says nothing sure about "
    "its emitters.",
)
"""Words for a change whose cause is not decided."""

SETTLES: Mapping[frozenset[str], str] = MappingProxyType(
    {
        frozenset(("emitter clogging", "flow meter drift")): (
            "pressure sensors before and behind the filter or the main (a meter that drifts changes the loss "
            "that it seems to see), or a second meter"
        ),
        frozenset(("leak", "flow meter drift")): (
            "pressure sensors before and behind the filter, or a second meter at the zone"
        ),
        frozenset(("emitter clogging", "pressure regulation")): "a pressure sensor at a lateral's end",
        frozenset(("leak", "pressure regulation")): "a pressure sensor at a lateral's end",
        frozenset(("emitter clogging", "valve fault")): "a pressure sensor at a lateral's end",
        frozenset(("emitter clogging", "filter clogging")): "a pressure sensor at a lateral's end",
        frozenset(("emitter clogging", "sensor fault")): "a second pressure sensor, at the zone's inlet",
        frozenset(("leak", "sensor fault")): "a second pressure sensor, at the zone's inlet",
        frozenset(("filter clogging", "flow meter drift")): "a pressure sensor at a lateral's end",
        frozenset(("filter clogging", "pressure regulation")): "pressure sensors on both sides of the filter",
        frozenset(("filter clogging", "valve fault")): "pressure sensors on both sides of the filter",
        frozenset(("filter clogging", "sensor fault")): "a gauge held at the sensor's tapping, once",
        frozenset(("pressure regulation", "sensor fault")): "a gauge held at the sensor's tapping, once",
        frozenset(("pressure regulation", "valve fault")): "a pressure sensor right behind the regulator",
        frozenset(("flow meter drift", "pressure regulation")): "a pressure sensor behind the regulator",
        frozenset(("flow meter drift", "valve fault")): "a pressure sensor at a lateral's end",
        frozenset(
            ("flow meter drift", "sensor fault")
        ): "a second meter, or a run into a tank of known volume",
        frozenset(("valve fault", "sensor fault")): "a gauge held at the sensor's tapping, once",
        frozenset(("emitter clogging", "leak")): "a walk along the zone while it runs",
        frozenset(("leak", "valve fault")): "a walk along the zone while it runs",
        frozenset(("leak", "filter clogging")): "pressure sensors on both sides of the filter",
    }
)
"""Two causes to what would tell them apart. From the signatures of `analysis.diagnosis.faults`."""


def settles(first: str, second: str) -> str:
    """Return what would tell two kinds of fault apart, in words.

    Examples
    --------
    >>> settles("valve fault", "emitter clogging")
    "a pressure sensor at a lateral's end"
    """
    if first == second:
        return "a gauge held at each tapping in turn"
    return SETTLES[frozenset((first, second))]


def likely(probability: float) -> str:
    """Return how sure a cause is, in words and as a share.

    Examples
    --------
    >>> likely(0.97)
    'very likely (97 %)'
    """
    share = min(probability, 0.99)
    for least, words in ((0.99, "almost certain"), (0.95, "very likely"), (0.8, "likely"), (0.2, "possible")):
        if share >= least:
            more = "over " if probability > share else ""
            return f"{words} ({more}{100 * share:.0f} %)"
    return f"less likely ({100 * share:.0f} %)"
