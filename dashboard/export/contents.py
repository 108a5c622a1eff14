"""What stands in the tables of an export: one analysis and one description, row by row."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.equivalence.treatments import compare
from analysis.ledger import read_services
from dashboard.export import catalogue, catalogue_trial, rows, rows_trial
from dashboard.export.columns import table_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import pyarrow as pa

    from analysis.equivalence.plots import PlotDose
    from analysis.results import Results
    from dashboard.export.columns import Table
    from dashboard.export.order import Order

README = """\
tables    csv/, parquet/ and export.xlsx hold the same tables with the same numbers
columns   dictionary.csv, and the sheet dictionary: what each column means, its unit (UCUM), what an empty cell says
figures   figures/: dose of each run with its 95 % interval, target and margin, one for each treatment
origin    provenance.json: software, installation file and archive by SHA-256, period, methods, command

Times are UTC. Runs go by the same word in every table. In CSV a text that a spreadsheet could take for a formula
has an apostrophe in front. Read with pandas: pandas.read_csv(path, keep_default_na=False, na_values=[""]), and name
columns of words, such as block, in dtype where their words may be digits.
"""


def tables_of(order: Order, results: Results, doses: tuple[PlotDose, ...]) -> dict[Table, pa.Table]:
    """Return every table but the readings.

    Parameters
    ----------
    order : Order
        What was asked for.
    results : Results
        The analysis of the same period.
    doses : tuple of PlotDose
        What its plots got.

    Returns
    -------
    dict
        Table to its rows, in the order of the export.
    """
    system, estimates = order.installation, tuple(results.estimates)
    services = [s for s in read_services(order.archive) if order.start <= s.time < order.end]
    made: dict[Table, Iterable[Mapping[str, object]]] = {
        catalogue_trial.TREATMENTS: rows_trial.treatment_rows(system),
        catalogue_trial.PLOTS: rows_trial.plot_rows(system),
        catalogue_trial.DOSES: rows_trial.dose_rows(system, doses),
        catalogue_trial.MEANS: rows_trial.mean_rows(system, doses),
        catalogue_trial.EQUIVALENCE: rows_trial.comparison_rows(compare(system, doses, margin=order.margin)),
        catalogue.RUNS: rows.run_rows(results.runs, system),
        catalogue.ESTIMATES: rows.estimate_rows(estimates),
        catalogue.UNCERTAINTY: rows.uncertainty_rows(estimates),
        catalogue.FINDINGS: rows.finding_rows(results.findings),
        catalogue.SERVICES: rows.service_rows(services),
        catalogue.SENSORS: rows.sensor_rows(system),
        catalogue.CALIBRATIONS: rows.calibration_rows(system),
        catalogue.WATER: rows.water_rows(system),
    }
    return {table: table_of(table, content) for table, content in made.items()}
