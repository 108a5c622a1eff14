"""``tricklebook analyse``: one site or a fleet, here or on a cluster."""

from __future__ import annotations

import sys
import time
from collections import deque
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ingest.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import pandas as pd

    from analysis.results import Results
    from ingest.fleet import Site
    from ingest.installation import Installation

    Told = tuple[Site, Installation, Results]
    Failed = tuple[Site, UserError]

BAR = 30
"""Columns of the progress bar."""

STOPPED = 130
"""Exit status of a command that the keyboard stopped: 128 and the number of the signal, as shells have it."""


def analyse(  # noqa: PLR0913, PLR0917 - one parameter for each option
    installation: Annotated[
        Path | None, typer.Option(help="The installation.toml that describes the system.")
    ] = None,
    archive: Annotated[Path | None, typer.Option(help="The folder with the stored readings.")] = None,
    fleet: Annotated[
        Path | None,
        typer.Option(
            help="Many sites: a folder with one folder a site, each with installation.toml and archive."
        ),
    ] = None,
    since: Annotated[
        str | None, typer.Option("--from", help="First day or instant; local time unless it names a zone.")
    ] = None,
    until: Annotated[
        str | None, typer.Option("--to", help="Where to end, not included; local time as well.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document, of a fleet a list.")] = False,  # noqa: FBT002 - a switch of the command line
    explain: Annotated[bool, typer.Option("--explain", help="Show what makes each interval wide.")] = False,  # noqa: FBT002 - a switch of the command line
    scheduler: Annotated[
        str | None, typer.Option(help="Spread the work: a Dask scheduler, like tcp://10.0.0.5:8786.")
    ] = None,
    processes: Annotated[
        int | None, typer.Option(min=1, help="Spread the work over so many processes of this machine.")
    ] = None,
) -> None:
    """Say what the readings tell: runs, injection ratios, doses, clear-out times, and what is wrong."""
    sites = _sites(installation, archive, fleet)
    wanted = since, until
    told = (
        _here(sites, wanted)
        if scheduler is None and processes is None
        else _spread(sites, wanted, scheduler, processes)
    )
    try:
        failed = _write(told, fleet=fleet is not None, json=json, explain=explain)
    except KeyboardInterrupt:
        sys.stderr.write("\nstopped; what is worked out is kept, and the same command goes on from there\n")
        raise typer.Exit(STOPPED) from None
    if failed:
        raise typer.Exit(2)


def _sites(description: Path | None, archive: Path | None, fleet: Path | None) -> list[Site]:
    """Return the sites that are meant."""
    from ingest.fleet import Site, sites_in  # noqa: PLC0415 - loads only when needed

    if fleet is not None and description is None and archive is None:
        return sites_in(fleet)
    if fleet is None and description is not None and archive is not None:
        return [Site(description.parent.name, description, archive)]
    msg = "give --installation and --archive for one site, or --fleet alone for many"
    raise UserError(msg)


def _period(
    system: Installation, wanted: tuple[str | None, str | None]
) -> tuple[pd.Timestamp | None, pd.Timestamp | None]:
    from analysis.instants import in_order, instant  # noqa: PLC0415 - pandas loads only when needed

    start, end = instant(wanted[0], system, "--from"), instant(wanted[1], system, "--to")
    in_order(start, end)
    return start, end


def _here(sites: Sequence[Site], wanted: tuple[str | None, str | None]) -> Iterator[Told | Failed]:
    """Work sites out in this process, one after the other."""
    from analysis.archive import review  # noqa: PLC0415 - pandas and the store load only when needed
    from ingest.load_installation import load  # noqa: PLC0415 - as above

    bar = Bar(len(sites))
    for place, site in enumerate(sites):
        try:
            system = load(site.description)
            results = review(
                site.archive,
                system,
                *_period(system, wanted),
                watch=lambda share: bar.show(place + share),  # noqa: B023 - called within the turn
            )
            bar.show(place + 1.0)
            yield site, system, results
        except UserError as error:
            yield site, error
    bar.clear()


def _spread(
    sites: Sequence[Site], wanted: tuple[str | None, str | None], scheduler: str | None, processes: int | None
) -> Iterator[Told | Failed]:
    """Have sites worked out by a cluster, and take them in their order."""
    try:
        from analysis import cluster  # noqa: PLC0415 - only those who spread need it
    except ImportError as error:
        msg = "spreading the work needs Dask: pip install 'tricklebook[cluster]'"
        raise UserError(msg) from error
    from ingest.load_installation import load  # noqa: PLC0415 - loads only when needed

    bar = Bar(len(sites))
    with cluster.connected(scheduler, processes=processes or 1) as client:
        begun: deque[cluster.Begun | UserError] = deque()
        for site in sites:
            try:
                system = load(site.description)
                begun.append(cluster.begin(client, site, system, *_period(system, wanted)))
            except UserError as error:
                begun.append(error)
        for place, site in enumerate(sites):
            one = begun.popleft()
            try:
                yield (
                    (site, one)
                    if isinstance(one, UserError)
                    else (site, one.installation, cluster.finish(one))
                )
            except UserError as error:
                yield site, error
            bar.show(place + 1.0)
    bar.clear()


def _write(told: Iterator[Told | Failed], *, fleet: bool, json: bool, explain: bool) -> int:
    """Print what is told; return how many sites could not be worked out."""
    from analysis.document import pieces  # noqa: PLC0415 - loads only when needed
    from analysis.table import lines  # noqa: PLC0415 - as above

    failed, between = 0, "[\n" if json and fleet else ""
    for one in told:
        if len(one) == 2:  # noqa: PLR2004 - a site and what is wrong with it
            site, error = one
            if not fleet:
                raise error
            failed += 1
            sys.stderr.write(f"tricklebook: {site.name}: {error}\n")
            continue
        _, system, results = one
        sys.stdout.write(between)
        if json:
            sys.stdout.writelines(pieces(results, explain=explain))
        else:
            sys.stdout.write("\n".join(lines(results, system, explain=explain)))
        between = ",\n" if json else "\n\n"
    closing = ("[]" if between == "[\n" else "\n]") if json and fleet else ""
    sys.stdout.write(closing + "\n")
    return failed


class Bar:
    """Progress on standard error, where that is a terminal, with the time that is left.

    Parameters
    ----------
    whole : float
        What is to be done.
    """

    def __init__(self, whole: float) -> None:
        self._whole = whole
        self._shown = sys.stderr.isatty()
        self._begun = time.monotonic()

    def show(self, done: float) -> None:
        """Draw how much is done."""
        if not self._shown:
            return
        share = done / self._whole
        filled = round(BAR * share)
        left = _left((time.monotonic() - self._begun) * (1.0 - share) / share) if 0.0 < share < 1.0 else ""
        sys.stderr.write(f"\ranalysing [{'#' * filled}{'.' * (BAR - filled)}] {share:4.0%}{left:16}")
        if share >= 1.0:
            self.clear()
        sys.stderr.flush()

    def clear(self) -> None:
        """Take the bar away."""
        if self._shown:
            sys.stderr.write("\r" + " " * (BAR + 35) + "\r")
            sys.stderr.flush()


def _left(seconds: float) -> str:
    """Return the time that is left, in words.

    Examples
    --------
    >>> _left(42.0), _left(100.0), _left(8000.0)
    (', 42 s left', ', 1 min left', ', 2 h 13 min left')
    """
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f", {hours} h {minutes} min left"
    return f", {minutes} min left" if minutes else f", {rest} s left"
