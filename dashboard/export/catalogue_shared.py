"""Columns that several tables of the export share."""

from __future__ import annotations

from dashboard.export.columns import Column

RUN = Column("run", "text", "the run, as zone and start; the same word in every table")
ZONE = Column("zone", "text", "the zone", empty="the head, before all zones")
PLOT = Column("plot", "text", "the plot")
TREATMENT = Column("treatment", "text", "the treatment")
SENSOR = Column("sensor", "text", "the sensor's name in the installation file")
QUANTITY = Column("quantity", "text", "what is measured, estimated or wanted")
NUTRIENT = Column("nutrient", "text", "the element or oxide", empty="not a nutrient")
UNIT = Column("unit", "text", "unit of the numbers in this row, as a UCUM code")
NO_NUMBER = "no number; `reason` says why"
VALUE = Column("value", "number", "its value", "see unit", NO_NUMBER)
LOW = Column("low", "number", "lower end of the 95 % interval", "see unit", NO_NUMBER)
HIGH = Column("high", "number", "upper end of the 95 % interval", "see unit", NO_NUMBER)
REASON = Column("reason", "text", "why there is no number, and what would mend it", empty="there is a number")
DAY = Column("day", "day", "day of the run's start in the installation's own time zone")
