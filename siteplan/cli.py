"""The command line.  It reads options, calls the library and prints; it holds no logic."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from siteplan.errors import DataError, Fault, SiteplanError, UsageError

if TYPE_CHECKING:
    from siteplan.publish.write import Formats
    from siteplan.settings import SiteSettings

Command = TypeVar("Command", bound=Callable[..., Any])


def main() -> None:
    """Entry point: exit 0 when done, 1 for bad data, 2 for bad usage."""
    try:
        code = program.main(prog_name="siteplan", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except click.Abort:
        click.echo("siteplan: stopped", err=True)
        code = 130
    except DataError as error:
        count = len(error.faults)
        click.echo(
            f"siteplan: {count} fault{'s' if count != 1 else ''} in the input, nothing written", err=True
        )
        for fault in error.faults[:FAULTS_SHOWN]:
            click.echo(f"  {fault.text}", err=True)
        if count > FAULTS_SHOWN:
            click.echo(f"  and {count - FAULTS_SHOWN} more", err=True)
        code = error.exit_code
    except SiteplanError as error:
        click.echo(f"siteplan: {error}", err=True)
        code = error.exit_code
    except BrokenPipeError:
        # The reader of a pipe has gone (``| head``): leave quietly, as other tools do.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 1
    sys.exit(code if isinstance(code, int) else 0)


FAULTS_SHOWN = 200


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="siteplan")
def program() -> None:
    """Plan modular landscape edging: outlines in, measured runs, exact takeoff, map out."""


@program.command("takeoff")
@click.argument("place", type=click.Path(path_type=Path))
@click.option("--line", help="Product line: a shipped key (see 'siteplan lines') or a .toml file.")
@click.option(
    "--abutments", type=click.Path(path_type=Path), multiple=True, help="File of walls, buildings, kerbs."
)
@click.option(
    "--openings", type=click.Path(path_type=Path), multiple=True, help="File of gates, walks, drains."
)
@click.option("--units", type=click.Choice(["ft", "m"]), help="Units shown.")
@click.option("--grid", "grid_name", help='"local", or a grid code such as EPSG:3418.')
@click.option("--out", type=click.Path(path_type=Path), help="Folder for the results.")
@click.option(
    "--json", "as_json", is_flag=True, help="Print summary.json to standard output and nothing else."
)
@click.option("--skip-faulty", is_flag=True, help="Leave faulty features out, list each, and go on.")
@click.option("--mixed-crs", type=click.Choice(["refuse", "transform"]), help="Inputs in different CRSs.")
@click.option("--write", "formats", type=click.Choice(["all", "geopackage"]), help="Files to write.")
def takeoff_command(
    place: Path,
    line: str | None,
    abutments: tuple[Path, ...],
    openings: tuple[Path, ...],
    units: str | None,
    grid_name: str | None,
    out: Path | None,
    as_json: bool,
    skip_faulty: bool,
    mixed_crs: str | None,
    formats: Formats | None,
) -> None:
    """Plan the edging of PLACE: a site folder with site.toml, or a file of bed outlines.

    A file of outlines needs --line; everything else has a default, which is printed.
    """
    from siteplan.publish.printout import print_report, progress
    from siteplan.publish.write import default_folder, write_plan
    from siteplan.sites import load_site, measure, plan_runs, takeoff

    settings = _settings(place, line, abutments, openings, units, grid_name, mixed_crs)
    with progress() as stage:
        stage("reading")
        site = load_site(settings if settings is not None else place, skip_faulty=skip_faulty)
        stage("measuring")
        measures = measure(site)
        stage("finding runs, corners and curves")
        plan = plan_runs(site)
        stage("fitting and placing pieces")
        result = takeoff(site, plan)
        folder = out if out is not None else default_folder(place)
        stage("writing")
        written = write_plan(site, measures, plan, result, folder, formats=formats)
    if as_json:
        click.echo(written.summary_text, nl=False)
    else:
        print_report(site, measures, plan, result, written)


def _settings(
    place: Path,
    line: str | None,
    abutments: tuple[Path, ...],
    openings: tuple[Path, ...],
    units: str | None,
    grid_name: str | None,
    mixed_crs: str | None,
) -> SiteSettings | None:
    """Settings for a bare file of outlines; None for a site."""
    given = {
        "--line": line,
        "--abutments": abutments,
        "--openings": openings,
        "--units": units,
        "--grid": grid_name,
        "--mixed-crs": mixed_crs,
    }
    if place.is_dir() or place.name.endswith(".toml"):
        said = [name for name, value in given.items() if value]
        if said:
            raise UsageError(
                f"{', '.join(said)} go with a file of outlines; a site says this in its site.toml"
            )
        return None
    from siteplan.sites import site_settings

    if line is None:
        if not place.exists():
            raise DataError(
                Fault(
                    "no-such-file",
                    "there is no such file or folder",
                    "Name a site folder, or a file of bed outlines together with --line",
                    str(place),
                )
            )
        raise UsageError("a file of outlines needs --line; 'siteplan lines' lists the shipped product lines")
    return site_settings(
        place,
        line,
        abutments=abutments,
        openings=openings,
        units=units,
        grid=grid_name,
        mixed_crs=mixed_crs,
    )


@program.command("lines")
def lines_command() -> None:
    """List the product lines that ship with the program (invented, to start from)."""
    from siteplan.catalog import load_line, shipped_lines

    for key in shipped_lines():
        click.echo(f"{key}\t{load_line(key).name}")
