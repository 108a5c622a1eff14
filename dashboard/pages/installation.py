"""The installation: what is described, and how its sensors are: last reading, calibration, health."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from analysis.findings.preventer import last_test
from dashboard.context import Context, Page
from dashboard.display import NO_VALUE, quantity_scale, ratio, scale, share
from dashboard.pages.measured import waiting
from dashboard.pages.water import water_part
from dashboard.panels import sensor_label
from dashboard.parts import age, section, sensor_badge, sensor_value, table
from dashboard.snapshot import SensorState
from dashboard.texts import say

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from ingest.installation import Sensor, Stock


def page(context: Context) -> Page:
    """Return the page of the installation.

    Parameters
    ----------
    context : Context
        What it is made from.

    Returns
    -------
    Page
        Without a chart.
    """
    return Page(
        title=say("nav.installation"),
        live=[section(say("installation.sensors"), _sensors(context), testid="sensor-health")],
        body=[
            *_waiting(context),
            section(say("installation.supply"), _supply(context), testid="supply"),
            water_part(context),
            section(say("installation.zones"), _zones(context), testid="zones-described"),
            *_injectors(context),
        ],
    )


def _waiting(context: Context) -> list[Component]:
    """Return what was measured by hand and is not in the installation file yet."""
    found = waiting(context)
    return [section(say("measured.to_do"), *found, testid="waiting")] if found else []


def _sensors(context: Context) -> Component:
    rows = []
    for name, sensor in context.installation.sensor.items():
        state = context.snapshot.sensors.get(name) or SensorState(name, None, None, 9, "never")
        rows.append(
            (
                name.replace("_", " "),
                _what(context, name, sensor),
                html.Span(sensor_value(context, state), className="number"),
                html.Span([sensor_badge(state), " ", age(state.time)]),
                share(context.snapshot.completeness.get(name), 0),
                _calibration(context, name, sensor),
                _accuracy(context, sensor),
            )
        )
    head = [
        say(f"installation.{key}")
        for key in ("sensor", "what", "value", "state", "completeness", "calibration", "accuracy")
    ]
    return table(
        head,
        rows,
        caption=say("installation.sensors"),
        testid="sensor-table",
        row_ids=list(context.installation.sensor),
    )


def _what(context: Context, name: str, sensor: Sensor) -> str:
    place = [sensor.quantity, sensor_label(context.installation, name)]
    return ", ".join([*place, *([say("finding.where_zone", zone=sensor.zone)] if sensor.zone else [])])


def _calibration(context: Context, name: str, sensor: Sensor) -> str:
    """Return the day from which the last calibration is valid: by the file, or by the service log."""
    days = [str(calibration.valid_from) for calibration in sensor.calibration]
    days += [
        str(entry.time.tz_convert(context.installation.tz).date())
        for entry in context.snapshot.services
        if entry.kind == "sensor calibrated" and entry.sensor == name
    ]
    return max(days, default=say("installation.not_calibrated"))


def _accuracy(context: Context, sensor: Sensor) -> str:
    if sensor.accuracy.share == 0 and sensor.accuracy.absolute == 0:
        return say("installation.not_stated")
    parts = []
    if sensor.accuracy.share:
        parts.append(say("installation.of_reading", share=share(sensor.accuracy.share, 1)))
    if sensor.accuracy.absolute:
        shown = quantity_scale(sensor.quantity, context.units)
        parts.append(f"{sensor.accuracy.absolute * abs(shown.factor):.3g}\N{NO-BREAK SPACE}{shown.unit}")
    return "±" + " + ".join(parts)


def _supply(context: Context) -> Component:
    supply = context.installation.supply
    rows = [
        (say("installation.source"), supply.kind),
        (say("installation.preventer"), supply.backflow_preventer),
        (say("installation.tested"), _tested(context)),
        (say("installation.pressure"), scale("kPa", context.units).text(supply.pressure)),
        (
            say("installation.order"),
            " → ".join(context.installation.head.order) or say("installation.not_stated"),
        ),
    ]
    return html.Dl([part for term, said in rows for part in (html.Dt(term), html.Dd(said))])


def _tested(context: Context) -> str:
    """Return the day and the result of the preventer's newest test, of the file or the service log."""
    test = last_test(context.installation, context.snapshot.services, context.now)
    if test is None:
        return say("installation.not_stated")
    return say("installation.passed" if test.passed else "installation.failed", day=test.day.isoformat())


def _zones(context: Context) -> Component:
    area, length = scale("m2", context.units), scale("m", context.units)
    flow = scale("L/h", context.units)
    rows = []
    for name, zone in context.installation.zone.items():
        count = sum(group.count for group in zone.emitters)
        rated = sum(group.count * group.flow for group in zone.emitters)
        target = zone.target
        rows.append(
            (
                name,
                area.text(zone.area),
                f"{count}" if count else NO_VALUE,
                flow.text(rated) if count else NO_VALUE,
                length.text(zone.elevation),
                context.installation.injector_of(name) or NO_VALUE,
                ratio(target.ratio) if target else NO_VALUE,
            )
        )
    head = [
        say(f"installation.{key}")
        for key in ("zone", "area", "emitters", "rated", "elevation", "injector", "target")
    ]
    return table(head, rows, caption=say("installation.zones"), testid="zone-table")


def _injectors(context: Context) -> list[Component]:
    """Return a part for each injector, with its stock and the stock's dilution curve."""
    flow, volume, pressure = (scale(unit, context.units) for unit in ("L/h", "L", "kPa"))
    parts = []
    for name, injector in context.installation.injector.items():
        bounds = injector.flow_range
        rows = [
            (say("installation.kind"), injector.kind),
            (say("installation.ratio"), ratio(injector.ratio)),
            (
                say("installation.flow_range"),
                say("estimate.between", low=flow.text(bounds[0]), high=flow.text(bounds[1]))
                if bounds
                else NO_VALUE,
            ),
            (say("installation.tank"), volume.text(injector.tank_volume)),
            (say("installation.most_pressure"), pressure.text(injector.max_static_pressure)),
        ]
        facts = html.Dl([part for term, said in rows for part in (html.Dt(term), html.Dd(said))])
        stocks = [(key, stock) for key, stock in context.installation.stock.items() if stock.injector == name]
        parts.append(
            section(
                say("installation.injector_named", name=name),
                facts,
                *(part for key, stock in stocks for part in _stock(key, stock)),
                testid=f"injector-{name}",
            )
        )
    return parts


def _stock(name: str, stock: Stock) -> list[Component]:
    nutrients = stock.nutrients
    dilutions = stock.dilutions
    strength = ", ".join(f"{element} {value:g}\N{NO-BREAK SPACE}g/L" for element, value in nutrients.items())
    parts: list[Component] = [
        html.H3(say("installation.stock", name=name)),
        html.P(strength or say("installation.not_stated")),
    ]
    if dilutions:
        rows = [
            (ratio(f) if f else say("installation.water"), f"{ec:.3f}\N{NO-BREAK SPACE}mS/cm")
            for f, ec in dilutions
        ]
        head = [say("installation.dilution"), say("panel.ec")]
        parts.append(
            table(head, rows, caption=say("installation.curve", name=name), testid=f"dilutions-{name}")
        )
    else:
        parts.append(html.P(say("installation.no_curve")))
    return parts
