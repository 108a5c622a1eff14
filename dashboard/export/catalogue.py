"""Every table of the export, and the dictionary that says what each column means."""

from __future__ import annotations

from analysis.quality.outcomes import WORDS, Outcome
from dashboard.export.catalogue_shared import (
    DAY,
    HIGH,
    LOW,
    NO_NUMBER,
    NUTRIENT,
    QUANTITY,
    REASON,
    RUN,
    SENSOR,
    UNIT,
    VALUE,
    ZONE,
)
from dashboard.export.catalogue_trial import DOSES, EQUIVALENCE, MEANS, PLOTS, TREATMENTS
from dashboard.export.columns import Column, Table

RUNS = Table(
    "runs",
    "one irrigation of one zone",
    (
        RUN,
        Column("zone", "text", "the zone"),
        Column("start", "time", "when water began to flow, UTC"),
        Column("end", "time", "when it ended, UTC"),
        DAY,
        Column("duration", "number", "from start to end", "s"),
        Column("volume", "number", "water delivered", "L", "no meter saw it"),
        Column("mean_flow", "number", "mean flow", "L/h", "no meter saw it"),
        Column("injection_start", "time", "when stock began to enter, UTC", empty="no injection was seen"),
        Column("injection_end", "time", "when it ended, UTC", empty="no injection was seen"),
        Column("complete", "yes or no", "false where water still flowed when the readings ended"),
        Column("sensors", "text", "the sensors that told the run, with semicolons between"),
        Column("told", "text", "how the run and its injection were told"),
    ),
)

ESTIMATES = Table(
    "estimates",
    "one estimate or one refusal; two rows for one quantity of one run are ways that contradict each other",
    (
        Column("estimate", "whole", "number of the estimate, for the table uncertainty"),
        Column("run", "text", RUN.meaning, empty="it holds for a week or the period, as `method` says"),
        ZONE,
        Column("run_start", "time", "start of its run, UTC", empty="it holds for a week or the period"),
        QUANTITY,
        NUTRIENT,
        VALUE,
        LOW,
        HIGH,
        UNIT,
        Column("level", "number", "coverage of the interval", "1"),
        Column("shared_sd", "number", "standard uncertainty that all runs share", "see unit", NO_NUMBER),
        Column("random_sd", "number", "standard uncertainty drawn anew in each run", "see unit", NO_NUMBER),
        Column("status", "text", "ok or refused"),
        REASON,
        Column("method", "text", "how it was found"),
        Column("sensors", "text", "the sensors that it rests on, with semicolons between", empty="none"),
    ),
)

UNCERTAINTY = Table(
    "uncertainty",
    "one term of one estimate's uncertainty",
    (
        Column("estimate", "whole", "number of the estimate in the table estimates"),
        Column("term", "text", "where the uncertainty comes from"),
        Column("share", "number", "its share of the variance", "1"),
        Column("each_run", "yes or no", "true where it is drawn anew in each run and averages away"),
    ),
)

FINDINGS = Table(
    "findings",
    "one thing that a person should know or act on",
    (
        Column("kind", "text", "what was found"),
        ZONE,
        Column("sensor", "text", SENSOR.meaning, empty="no single sensor"),
        Column("start", "time", "from when, UTC"),
        Column("end", "time", "until when, UTC"),
        Column("severity", "text", "watch, act or stop"),
        Column("value", "number", "how large", "see unit", "it has no size"),
        Column("unit", "text", UNIT.meaning, empty="it has no size"),
        Column("evidence", "text", "what was seen"),
        Column(
            "likely_causes", "text", "causes in the order to check, with semicolons between", empty="none"
        ),
        Column("advice", "text", "what to do first"),
    ),
)

FLAGS = "1 good, 2 not evaluated, 3 suspect, 4 bad, 9 missing"
"""The primary flags of IOC/IODE, which QARTOD uses too."""

STATUS = Column(
    "status",
    "text",
    "final where the day (UTC) is closed, so that its flags no longer change; else provisional",
)

FLAGGED = Table(
    "flagged",
    "one reading that is not flagged good; all the others are",
    (
        Column("time", "time", "of the reading, UTC"),
        SENSOR,
        QUANTITY,
        Column("unit", "text", UNIT.meaning),
        Column("value", "number", "what was stored", "see unit", "no number was sent"),
        Column("quality", "whole", f"its flag: {FLAGS}"),
        Column(
            "test", "text", f"why: {', '.join(word for o, word in WORDS.items() if o is not Outcome.PASSED)}"
        ),
        STATUS,
    ),
)

READINGS = Table(
    "readings",
    "the readings of one sensor in one bucket of time; buckets without any are left out",
    (
        Column("time", "time", "start of the bucket, UTC; its length stands in provenance.json"),
        SENSOR,
        QUANTITY,
        Column("unit", "text", UNIT.meaning),
        Column(
            "mean", "number", "mean of the readings counted in `n`", "see unit", "every reading is flagged"
        ),
        Column("min", "number", "least of them", "see unit", "every reading is flagged"),
        Column("max", "number", "greatest of them", "see unit", "every reading is flagged"),
        Column("last", "number", "last of them, for registers", "see unit", "every reading is flagged"),
        Column("n", "whole", "readings that are not flagged suspect, bad or missing"),
        Column("n_flagged", "whole", "readings that are; they are in no number of this row"),
        Column("quality", "whole", f"worst flag in the bucket: {FLAGS}"),
        STATUS,
    ),
)

SENSORS = Table(
    "sensors",
    "one sensor, as the installation file states it",
    (
        SENSOR,
        QUANTITY,
        Column("analyte", "text", "the substance, for a concentration", empty="not a concentration"),
        Column("unit", "text", "unit in which its readings are stored, as a UCUM code"),
        Column("point", "text", "where it measures, in the order the water passes"),
        Column("zone", "text", "the zone that it belongs to", empty="the head"),
        Column("injector", "text", "the injector that it belongs to", empty="the only one, or none"),
        Column("accuracy_share", "number", "limit of error, part proportional to the reading", "1"),
        Column("accuracy_absolute", "number", "limit of error, part that is not", "see unit"),
        Column("range_low", "number", "lower end of what it can measure", "see unit", "not stated"),
        Column("range_high", "number", "upper end of it", "see unit", "not stated"),
        Column("interval", "number", "how often it sends", "s", "not stated"),
        Column(
            "compensated",
            "yes or no",
            "whether a conductivity device compensates to 25 °C itself",
            empty="no conductivity",
        ),
        Column(
            "counter", "text", "for a volume: total or increment", empty="no volume, or a total by default"
        ),
    ),
)

CALIBRATIONS = Table(
    "calibrations",
    "one point of one sensor's calibration, as the installation file states it",
    (
        SENSOR,
        Column("valid_from", "day", "first day on which it holds"),
        Column("raw", "number", "what the device said", "see raw_unit"),
        Column("raw_unit", "text", "unit of the device, as the file writes it"),
        Column("true", "number", "what was true", "see unit"),
        Column("unit", "text", "unit of `true`, as a UCUM code"),
    ),
)

WATER = Table(
    "water",
    "one item of the water's analysis, as the installation file states it, its newest value",
    (
        Column("item", "text", "what was found"),
        Column("value", "number", "how much", "see unit"),
        Column("unit", "text", "UCUM code", empty="pH has none"),
        Column("sampled", "day", "day of the sample"),
        Column("from", "text", "measured, what it was reckoned from, or that it is less"),
        Column("hazard", "text", "class of clogging hazard: slight, moderate or severe"),
        Column("moderate_from", "number", "lower end of the class moderate", "see unit"),
        Column("moderate_to", "number", "upper end of it", "see unit"),
        Column("source", "text", "where the class was published"),
        Column(
            "other_hazard", "text", "class by the other published table", empty="the same, or it has none"
        ),
    ),
)

SERVICES = Table(
    "services",
    "one thing that was done to the system, from the service log; who did it is left out",
    (
        Column("time", "time", "when, UTC"),
        Column("kind", "text", "what was done"),
        Column("zone", "text", "where", empty="the head"),
        Column("sensor", "text", "which sensor was touched", empty="none"),
        Column("note", "text", "what else was written", empty="nothing"),
    ),
)

TABLES = (
    TREATMENTS,
    PLOTS,
    DOSES,
    MEANS,
    EQUIVALENCE,
    RUNS,
    ESTIMATES,
    UNCERTAINTY,
    FINDINGS,
    SERVICES,
    SENSORS,
    CALIBRATIONS,
    WATER,
    FLAGGED,
    READINGS,
)
"""Every table, the trial's first, the readings last."""

DICTIONARY = Table(
    "dictionary",
    "one column of one table",
    (
        Column("table", "text", "the table"),
        Column("row", "text", "what one row of it is"),
        Column("column", "text", "the column"),
        Column("meaning", "text", "what it says"),
        Column("unit", "text", "UCUM code, or the column that names it", empty="it has no unit"),
        Column("type", "text", "text, number, whole, yes or no, time, or day"),
        Column("empty", "text", "what an empty cell means", empty="no cell is empty"),
    ),
)


def dictionary_rows() -> list[dict[str, object]]:
    """Return the dictionary: every column of every table.

    Examples
    --------
    >>> dictionary_rows()[0]["column"]
    'treatment'
    """
    return [
        {
            "table": table.name,
            "row": table.row,
            "column": c.name,
            "meaning": c.meaning,
            "unit": c.unit,
            "type": c.kind,
            "empty": c.empty,
        }
        for table in TABLES
        for c in table.columns
    ]
