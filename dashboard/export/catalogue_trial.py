"""The tables of the export that hold a trial: its plan, doses, means and comparisons."""

from __future__ import annotations

from dashboard.export.catalogue_shared import (
    DAY,
    HIGH,
    LOW,
    NO_NUMBER,
    NUTRIENT,
    PLOT,
    QUANTITY,
    REASON,
    RUN,
    TREATMENT,
    UNIT,
    VALUE,
)
from dashboard.export.columns import Column, Table

TREATMENTS = Table(
    "treatments",
    "one target of one treatment, as the installation file states it",
    (
        TREATMENT,
        Column("description", "text", "what it is", empty="not described"),
        Column("quantity", "text", QUANTITY.meaning, empty="no target is stated"),
        NUTRIENT,
        Column("target", "number", "dose wanted in each run", "see unit", "no target is stated"),
        Column("unit", "text", UNIT.meaning, empty="no target is stated"),
        Column(
            "margin", "number", "largest deviation that counts as the same", "1", "none; nothing is tested"
        ),
        Column("same_as", "text", "treatment that should get the same", empty="none is named"),
    ),
)

PLOTS = Table(
    "plots",
    "one plot, as the installation file states it",
    (
        PLOT,
        TREATMENT,
        Column("zone", "text", "the zone that waters it"),
        Column("block", "text", "its block or replicate", empty="not stated"),
        Column("area", "number", "its ground", "m2"),
        Column("share", "number", "its share of the zone's water", "1"),
        Column(
            "share_accuracy", "number", "how well the share is known, either way", "1", "it is the whole zone"
        ),
    ),
)

DOSES = Table(
    "doses",
    "what one plot got of one thing in one run",
    (
        PLOT,
        TREATMENT,
        Column("zone", "text", "the zone that waters it"),
        Column("block", "text", "its block or replicate", empty="not stated"),
        RUN,
        Column("run_start", "time", "start of the run, UTC"),
        DAY,
        QUANTITY,
        NUTRIENT,
        VALUE,
        LOW,
        HIGH,
        UNIT,
        Column("shared_sd", "number", "relative standard uncertainty that all runs share", "1", NO_NUMBER),
        Column("random_sd", "number", "relative standard uncertainty drawn anew in each run", "1", NO_NUMBER),
        Column("target", "number", "dose wanted in each run", "see unit", "no target is stated"),
        Column(
            "carried",
            "yes or no",
            "true where stock stayed in the pipes or came from an earlier run: the dose is then what the emitters "
            "gave off, and not what was injected",
        ),
        Column(
            "ways", "whole", "ways to the number that contradict each other; the first stands; 1: they agree"
        ),
        REASON,
    ),
)

MEANS = Table(
    "treatment_means",
    "a treatment's or a plot's mean dose a run; each plot counts alike, and within it each run",
    (
        TREATMENT,
        Column("plot", "text", "the plot", empty="the mean of the treatment's plots"),
        QUANTITY,
        NUTRIENT,
        Column("runs", "whole", "runs of zones with a dose; plots of one zone do not count twice"),
        Column("without_dose", "whole", "runs of these zones without a dose: refused, or without stock"),
        Column("mean", "number", "mean dose a run", "see unit", "no run has a dose"),
        Column(
            "low",
            "number",
            "lower end of the 95 % interval of the mean that these runs had",
            "see unit",
            "as mean",
        ),
        Column("high", "number", "upper end of it", "see unit", "as mean"),
        UNIT,
        Column(
            "shared_sd",
            "number",
            "standard uncertainty of the mean that more runs do not shrink",
            "see unit",
            "as mean",
        ),
        Column(
            "random_sd",
            "number",
            "standard uncertainty of the mean that more runs shrink",
            "see unit",
            "as mean",
        ),
        Column(
            "scatter", "number", "relative standard deviation from run to run", "1", "fewer than two runs"
        ),
        Column("target", "number", "dose wanted in each run", "see unit", "no target is stated"),
    ),
)

_UNTESTED = "not tested; `words` say why"
EQUIVALENCE = Table(
    "equivalence",
    "one comparison by two one-sided tests: a treatment with its target, one plot with it, or two treatments",
    (
        TREATMENT,
        Column("plot", "text", "the plot", empty="the mean of the treatment's plots"),
        Column("against", "text", "target, or the treatment that should get the same"),
        QUANTITY,
        NUTRIENT,
        Column("verdict", "text", "equivalent, different, undecided, or refused"),
        Column("margin", "number", "largest deviation that counts as the same", "1", "none is stated"),
        Column("ratio", "number", "ratio of the geometric means", "1", _UNTESTED),
        Column("low", "number", "lower end of its 90 % interval, which decides equivalence", "1", _UNTESTED),
        Column("high", "number", "upper end of it", "1", _UNTESTED),
        Column("p", "number", "the larger of the two one-sided p-values", "1", _UNTESTED),
        Column(
            "shared_sd",
            "number",
            "relative standard uncertainty that more runs do not shrink",
            "1",
            _UNTESTED,
        ),
        Column("scatter_sd", "number", "relative standard error from the scatter of runs", "1", _UNTESTED),
        Column("runs", "whole", "runs of zones that the treatment's mean rests on"),
        Column("without_dose", "whole", "runs of these zones without a dose: refused, or without stock"),
        Column(
            "more_runs",
            "whole",
            "runs of each zone beyond these that would settle it",
            "1",
            "settled, not tested, or no number would; `words` say which",
        ),
        Column("words", "text", "the verdict in a sentence, or why it was refused"),
    ),
)
