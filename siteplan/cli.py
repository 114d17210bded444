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
    from siteplan.settings import InputFile, SiteSettings

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


def reading_options(command: Command) -> Command:
    """Options that say how a single file is to be read; a site says the same in its site.toml."""
    for option in (
        click.option(
            "--nested", type=click.Choice(["islands", "outlines"]), help="Closed outlines within others."
        ),
        click.option(
            "--closed", type=click.Choice(["auto", "yes", "no"]), help="Whether a walk is an outline."
        ),
        click.option("--simplify", help='Simplify a walk within this, such as "0.5 m".'),
        click.option(
            "--join-within", help='Join lines of a drawing whose ends are this close, such as "1 mm".'
        ),
        click.option(
            "--unit",
            type=click.Choice(["m", "mm", "cm", "in", "ft", "ftUS", "yd"]),
            help="Unit of the coordinates.",
        ),
        click.option("--where", help="Filter on attributes, as in SQL."),
        click.option(
            "--layers", multiple=True, help="Drawing layer, track, survey code or outline name; repeatable."
        ),
        click.option("--layer", help="Layer of a file that has several."),
        click.option(
            "--assume", help="CRS to take whatever the file says: your consent, recorded as a finding."
        ),
        click.option("--crs", help="CRS of a file that does not say, such as EPSG:2230."),
    ):
        command = option(command)
    return command


def _reading(options: dict[str, Any]) -> dict[str, Any]:
    """Reading options that were given, as keys of ``site.toml``."""
    given = {name: value for name, value in options.items() if value}
    if "layers" in given:
        given["layers"] = list(given["layers"])
    return given


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
@reading_options
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
    **reading: Any,
) -> None:
    """Plan the edging of PLACE: a site folder with site.toml, or a file of bed outlines.

    A file of outlines needs --line; everything else has a default, which is printed.
    """
    from siteplan.plans import plan_runs
    from siteplan.publish.printout import print_report, progress
    from siteplan.publish.write import default_folder, write_plan
    from siteplan.sites import load_site, measure
    from siteplan.takeoffs import takeoff

    settings = _settings(place, line, abutments, openings, units, grid_name, mixed_crs, _reading(reading))
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
    reading: dict[str, Any],
) -> SiteSettings | None:
    """Settings for a bare file of outlines; None for a site."""
    given = {
        "--line": line,
        "--abutments": abutments,
        "--openings": openings,
        "--units": units,
        "--grid": grid_name,
        "--mixed-crs": mixed_crs,
        **{f"--{name.replace('_', '-')}": value for name, value in reading.items()},
    }
    if is_site(place):
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
        reading=reading,
    )


def is_site(place: Path) -> bool:
    """Whether a path names a site rather than a file of outlines."""
    return (place.is_dir() and place.suffix.lower() != ".gdb") or place.name.endswith(".toml")


def _refuse_for_site(given: dict[str, Any]) -> None:
    said = [f"--{name.replace('_', '-')}" for name, value in given.items() if value]
    if said:
        raise UsageError(f"{', '.join(said)} go with a single file; a site says this in its site.toml")


ROLES = click.Choice(["beds", "abutments", "openings"])


@program.command("check")
@click.argument("place", type=click.Path(path_type=Path))
@click.option("--role", type=ROLES, help="What a single file holds; beds if not said.")
@click.option("--json", "as_json", is_flag=True, help="Print the report as JSON and nothing else.")
@reading_options
def check_command(place: Path, role: str | None, as_json: bool, **reading: Any) -> int:
    """Tell everything about the inputs of PLACE: a site folder, or any single file. Writes nothing.

    The exit code is 1 if anything is graded an error.
    """
    import json

    from siteplan.check import check_file, check_site
    from siteplan.publish.checkprint import print_check

    given = _reading(reading)
    if is_site(place):
        _refuse_for_site({"role": role, **given})
        report = check_site(place)
    else:
        report = check_file(_input_file(place, given), Path(), role or "beds")
    if as_json:
        click.echo(json.dumps(report.as_dict(), indent=2, ensure_ascii=False))
    else:
        print_check(report)
    return 1 if report.errors else 0


def _input_file(place: Path, given: dict[str, Any]) -> InputFile:
    """A single file as ``site.toml`` would name it."""
    from siteplan.settings import InputFile
    from siteplan.tomlfile import validated

    return validated(InputFile, {"file": str(place.absolute()), **given}, "command line")


@program.command("convert")
@click.argument("place", type=click.Path(path_type=Path))
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--role", type=ROLES, help="What a single file holds; beds if not said.")
@click.option("--skip-faulty", is_flag=True, help="Leave faulty features out, list each, and go on.")
@click.option("--replace", is_flag=True, help="Replace OUT if it exists.")
@reading_options
def convert_command(
    place: Path, out: Path, role: str | None, skip_faulty: bool, replace: bool, **reading: Any
) -> None:
    """Write the inputs of PLACE, a site folder or any single file, as a clean GeoPackage OUT.

    Layers beds, abutments and openings, in the CRS they came in, with all attributes.
    """
    from siteplan.convert import convert
    from siteplan.intake import read_features
    from siteplan.sites import read_site_inputs, source_of

    given = _reading(reading)
    if is_site(place):
        _refuse_for_site({"role": role, **given})
        roles, findings, inputs = read_site_inputs(place, skip_faulty=skip_faulty)
    else:
        source = source_of(_input_file(place, given), Path())
        features, findings = read_features([source], role or "beds", skip_faulty=skip_faulty)
        roles, inputs = {role or "beds": features}, (source.path,)
    written = convert(roles, out, inputs=inputs, replace=replace)
    for finding in findings:
        click.echo(f"  {finding.grade}: {finding.text}", err=True)
    for layer, name, column in written.renamed:
        click.echo(f'  notice: attribute "{name}" of {layer} is written as "{column}"', err=True)
    counts = ", ".join(f"{n} {layer}" for layer, n in written.layers.items())
    click.echo(f"{written.path}: {counts}")


@program.command("handout")
@click.argument("place", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Folder for the results.")
@click.option(
    "--paper",
    default="letter",
    show_default=True,
    help="letter, tabloid, a4, a3, a2, a1, or a size such as 24inx36in.",
)
@click.option("--scale", help="True scale: 10ft (1 in = 10 ft) or 1:200. Chosen to suit when not given.")
@click.option("--bed", "beds", multiple=True, help="Draw this bed only; may be repeated.")
@click.option("--phase", help="Draw the beds of this phase (attribute 'phase').")
@click.option("--revision", default="", help="Name of the revision, printed on every sheet.")
@click.option(
    "--font",
    "fonts",
    type=click.Path(path_type=Path),
    multiple=True,
    help="TrueType file for letters the built-in font does not have.",
)
@click.option(
    "--most-sheets", type=click.IntRange(1, 2000), default=60, show_default=True, help="Limit of plan sheets."
)
@click.option("--pictures/--no-pictures", default=True, show_default=True, help="Overview and bed pictures.")
@click.option(
    "--crew-page/--no-crew-page", default=True, show_default=True, help="The page for the crew's phones."
)
@click.option("--stakeout-grid", help="Grid of the stakeout, such as EPSG:26915; the site's own by default.")
@click.option("--skip-faulty", is_flag=True, help="Leave faulty features out, list each, and go on.")
def handout_command(
    place: Path,
    out: Path | None,
    paper: str,
    scale: str | None,
    beds: tuple[str, ...],
    phase: str | None,
    revision: str,
    fonts: tuple[Path, ...],
    most_sheets: int,
    pictures: bool,
    crew_page: bool,
    stakeout_grid: str | None,
    skip_faulty: bool,
) -> None:
    """Write what the crew takes along for PLACE: plan sheets at a true scale, pictures, stakeout,
    and a page for phones that needs no network.
    """
    from siteplan.crew.write import write_crew
    from siteplan.plans import plan_runs
    from siteplan.publish.printout import progress
    from siteplan.publish.write import default_folder
    from siteplan.sheets.options import sheet_options
    from siteplan.sheets.write import write_sheets
    from siteplan.sites import load_site, measure
    from siteplan.stakeout.make import make_stakeout
    from siteplan.stakeout.write import write_stakeout
    from siteplan.takeoffs import takeoff

    options = sheet_options(
        paper=paper,
        scale=scale,
        beds=beds,
        phase=phase,
        revision=revision,
        fonts=fonts,
        most_sheets=most_sheets,
        pictures=pictures,
    )
    with progress() as stage:
        stage("reading")
        site = load_site(place, skip_faulty=skip_faulty)
        stage("measuring")
        measures = measure(site)
        stage("finding runs, corners and curves")
        plan = plan_runs(site)
        stage("fitting and placing pieces")
        result = takeoff(site, plan)
        stage("finding points to stake out")
        points = make_stakeout(site, plan, result, grid=stakeout_grid, beds=beds, phase=phase)
        stage("drawing sheets")
        folder = out if out is not None else default_folder(place)
        report = write_sheets(site, measures, plan, result, folder, options)
        stage("writing the stakeout")
        staked = write_stakeout(points, folder, revision=revision)
        if crew_page:
            stage("writing the crew page")
            crew = write_crew(site, plan, result, folder, beds=beds, phase=phase, revision=revision)
    click.echo(report.text)
    click.echo(staked.text)
    if crew_page:
        click.echo(crew.text)


@program.command("asbuilt")
@click.argument("place", type=click.Path(path_type=Path))
@click.argument("files", type=click.Path(path_type=Path), nargs=-1, required=True)
@click.option("--crs", help="CRS of the survey files, such as EPSG:2230; the site's grid by default.")
@click.option("--unit", type=click.Choice(["m", "ft", "ftUS"]), help="Unit of the survey's coordinates.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder for the results.")
@click.option(
    "--json", "as_json", is_flag=True, help="Print summary.json to standard output and nothing else."
)
@click.option("--skip-faulty", is_flag=True, help="Leave faulty features of the site out, list each, go on.")
def asbuilt_command(
    place: Path,
    files: tuple[Path, ...],
    crs: str | None,
    unit: Any,
    out: Path | None,
    as_json: bool,
    skip_faulty: bool,
) -> None:
    """Hold what was laid against the plan of the site PLACE.

    FILES are field files of the crew page and survey files (points on the laid edging, as CSV with
    point, northing, easting, code), in any order.
    """
    from siteplan.asbuilt.make import as_built
    from siteplan.asbuilt.write import write_as_built
    from siteplan.plans import plan_runs
    from siteplan.publish.printout import progress
    from siteplan.publish.write import default_folder
    from siteplan.sites import load_site, measure
    from siteplan.takeoffs import takeoff

    with progress() as stage:
        stage("reading")
        site = load_site(place, skip_faulty=skip_faulty)
        measures = measure(site)
        stage("finding runs, corners and curves")
        plan = plan_runs(site)
        stage("fitting and placing pieces")
        result = takeoff(site, plan)
        stage("holding the field against the plan")
        built = as_built(site, measures, plan, result, files, crs=crs, unit=unit)
        stage("writing")
        report = write_as_built(built, out if out is not None else default_folder(place))
    if as_json:
        click.echo(report.json_text, nl=False)
    else:
        click.echo(report.text)


@program.command("reconcile")
@click.argument("place", type=click.Path(path_type=Path))
@click.option("--tapes", type=click.Path(path_type=Path), help="File of tape readings (CSV).")
@click.option("--points", type=click.Path(path_type=Path), help="File of check points (CSV).")
@click.option("--points-accuracy", help='How good the field coordinates of the check points are: "20 mm".')
@click.option("--out", type=click.Path(path_type=Path), help="Folder for the results.")
@click.option(
    "--json", "as_json", is_flag=True, help="Print reconcile.json to standard output and nothing else."
)
@click.option("--skip-faulty", is_flag=True, help="Leave faulty features and readings out, list each, go on.")
@click.option("--adjust", is_flag=True, help="Adjust the outlines to the tapes; show what it would change.")
@click.option("--by-diagnosis", is_flag=True, help="Adjust to the readings as the diagnosis corrects them.")
@click.option("--accept", is_flag=True, help="Keep the adjusted outlines as a new revision of the record.")
@click.option("--who", default="", help="Who accepts, for the list of revisions.")
def reconcile_command(
    place: Path,
    tapes: Path | None,
    points: Path | None,
    points_accuracy: str | None,
    out: Path | None,
    as_json: bool,
    skip_faulty: bool,
    adjust: bool,
    by_diagnosis: bool,
    accept: bool,
    who: str,
) -> None:
    """Compare tapes with the map of the site PLACE, say why they disagree, adjust the outlines if asked."""
    from siteplan.adjust.accept import refuse_errors
    from siteplan.adjust.make import accepted, adjusted, newest_revision
    from siteplan.plans import plan_runs
    from siteplan.publish.printout import progress
    from siteplan.publish.reconciled import print_reconciliation, write_reconciliation
    from siteplan.publish.write import default_folder
    from siteplan.reconcile.report import reconcile
    from siteplan.revise.start import start_record
    from siteplan.sites import load_site, measure
    from siteplan.takeoffs import takeoff

    if accept and not who.strip():
        raise UsageError("--accept needs --who: the name of the person who accepts")
    if by_diagnosis and not (adjust or accept):
        raise UsageError("--by-diagnosis goes with --adjust or --accept")
    if accept and not is_site(place):
        raise UsageError("--accept needs a site folder: the adjusted outlines are kept in its record")
    base = None
    with progress() as stage:
        stage("reading")
        if accept:
            # taken before the site is read: what is adjusted must be what the record still holds at the end
            base = newest_revision(place)
        site = load_site(place, skip_faulty=skip_faulty)
        measures = measure(site)
        stage("finding runs, corners and curves")
        plan = plan_runs(site)
        stage("comparing tapes with the map")
        made = reconcile(
            site, plan, tapes=tapes, points=points, source=points_accuracy, skip_faulty=skip_faulty
        )
        stage("fitting and placing pieces")
        result = takeoff(site, plan)
        moved = None
        if adjust or accept:
            stage("adjusting the outlines")
            moved = adjusted(site, plan, result, made, by_diagnosis=by_diagnosis)
        stage("writing")
        done = write_reconciliation(
            site, measures, plan, result, made, out if out is not None else default_folder(place), moved
        )
        kept = None
        if accept and moved is not None:
            stage("keeping the adjusted outlines")
            # before a record is started for nothing
            refuse_errors(moved.made)
            kept = accepted(start_record(place, who=who), site, made, moved, who=who, base=base)
    if as_json:
        click.echo(done.json_text, nl=False)
    else:
        print_reconciliation(site, made, done, moved)
    if kept is not None:
        click.echo(
            f"Kept as revision {kept.number} of the record, by {kept.who}. The outlines as they were stay in "
            f"it: siteplan record --back {kept.number - 1} makes them the newest again.",
            err=as_json,
        )


@program.command("crs")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--near", help="About where the site lies: LON,LAT on WGS 84.")
@click.option("--within", help='How well that is known, such as "500 m". 5 km if not said.')
@click.option("--region", help="Country or state it lies in, in English: US, Germany, Massachusetts.")
@click.option(
    "--length",
    "lengths",
    multiple=True,
    metavar="FEATURE=LENGTH",
    help="A taped length: B07=41ft (its outline), or B07:3-4=12.5m (an edge by its vertices). Repeatable.",
)
@click.option(
    "--area", "areas", multiple=True, metavar="FEATURE=AREA", help="A known area, in m2, ft2, ha or acre."
)
@click.option(
    "--control",
    "controls",
    multiple=True,
    metavar="X,Y=LON,LAT",
    help="A point of the file, in its numbers, whose place is known. Repeatable.",
)
@click.option("--control-crs", default="EPSG:4326", show_default=True, help="Geographic CRS of those places.")
@click.option("--control-within", help="How well they are known. 1 m if not said.")
@click.option(
    "--weight", "weights", multiple=True, metavar="NAME=NUMBER", help="A weight of the rule; see the docs."
)
@click.option("--most", type=click.IntRange(1, 60), default=5, show_default=True, help="Explanations listed.")
@click.option("--layer", help="Layer of a file that has several.")
@click.option("--where", help="Filter on attributes, as in SQL.")
@click.option("--json", "as_json", is_flag=True, help="Print the report as JSON and nothing else.")
def crs_command(
    file: Path, most: int, layer: str | None, where: str | None, as_json: bool, **clues: Any
) -> int:
    """Tell which CRS explains the numbers of FILE, with the evidence. Applies nothing.

    The exit code is 1 if nothing explains them.
    """
    import json

    from siteplan.detective import as_data, as_text
    from siteplan.intake import Source
    from siteplan.intake.detect import Clues, examine_file

    report = examine_file(Source(file, layer=layer, where=where), Clues(**clues), most=most)
    if as_json:
        click.echo(json.dumps(as_data(report), indent=2, ensure_ascii=False))
    else:
        click.echo(as_text(report), nl=False)
    return 1 if report.status == "nothing" else 0


@program.command("compare")
@click.argument("place", type=click.Path(path_type=Path))
@click.argument("new", type=click.Path(path_type=Path), required=False)
@click.option("--lines", help="Product lines to compare: keys or .toml files, with commas between.")
@click.option("--out", type=click.Path(path_type=Path), help="Folder for the results; none by default.")
@click.option("--json", "as_json", is_flag=True, help="Print the comparison as JSON and nothing else.")
@click.option("--skip-faulty", is_flag=True, help="Leave faulty features out, list each, and go on.")
def compare_command(
    place: Path, new: Path | None, lines: str | None, out: Path | None, as_json: bool, skip_faulty: bool
) -> int:
    """Compare product lines on the site PLACE (--lines), or the revision PLACE with the revision NEW.

    A revision is a site folder, a folder a run wrote, or its summary.json. The exit code is 1 if a
    line cannot be planned.
    """
    if (lines is None) == (new is None):
        raise UsageError("say what to compare: --lines for one site, or a second revision, and not both")
    if new is not None:
        from siteplan.publish.changeorder import run_change

        run_change(place, new, out=out, as_json=as_json, skip_faulty=skip_faulty)
        return 0
    from siteplan.publish.linestable import run_lines

    return run_lines(place, lines or "", out=out, as_json=as_json, skip_faulty=skip_faulty)


@program.command("desk")
@click.argument("place", type=click.Path(path_type=Path))
@click.option("--port", type=click.IntRange(1, 65535), help="Port to listen on; a free one if not said.")
@click.option("--browser/--no-browser", default=True, show_default=True, help="Open the page.")
@click.option("--who", help="Your name, kept with every revision; the name of your account if not said.")
@click.option("--picture", type=click.Path(path_type=Path), help="Begin a new site over this picture.")
@click.option("--at", metavar="LON,LAT", help="Begin a new site at this place.")
@click.option("--name", help="Name of a new site; the folder's if not said.")
@click.option("--line", help="Product line of a new site; it can be changed at the desk.")
@click.option("--units", type=click.Choice(["ft", "m"]), help="Units a new site shows.")
def desk_command(place: Path, port: int | None, browser: bool, who: str | None, **new: Any) -> None:
    """Draw and plan the site PLACE on a page in your browser, on this machine alone.

    A folder without a site.toml becomes a new site, over a picture (--picture) or at a place (--at).
    """
    from siteplan.desk.serve import NewSite, run_desk

    run_desk(place, who=_who(who), port=port, browser=browser, say=click.echo, new=NewSite(**new))


@program.command("record")
@click.argument("place", type=click.Path(path_type=Path))
@click.option("--back", type=click.IntRange(1), help="Make a new revision with the content of this one.")
@click.option("--import", "bring", is_flag=True, help="Bring changed input files in as a new revision.")
@click.option(
    "--prefer-file", is_flag=True, help="With --import: take the file's state where the record changed too."
)
@click.option("--export", type=click.Path(path_type=Path), help="Write a revision to FILE.gpkg or .geojson.")
@click.option("--revision", type=click.IntRange(1), help="Revision to export; the newest if not said.")
@click.option("--replace", is_flag=True, help="Replace the exported file if it exists.")
@click.option("--who", help="Your name, kept with a revision; the name of your account if not said.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON and nothing else.")
def record_command(place: Path, who: str | None, **options: Any) -> None:
    """List the revisions of the record of the site PLACE: who saved what, and when.

    Options go back to one, bring changed input files in, or export one; one at a time.
    """
    from siteplan.publish.recordprint import run_record

    makes_one = options["back"] is not None or options["bring"]
    run_record(place, who=_who(who) if makes_one else "", **options)


def _who(said: str | None) -> str:
    """Who saves: as said, else the account's name."""
    import getpass

    if said is not None:
        return said
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        raise UsageError("this account has no name; say who you are with --who") from None


@program.command("lines")
def lines_command() -> None:
    """List the product lines that ship with the program (invented, to start from)."""
    from siteplan.catalog import load_line, shipped_lines

    for key in shipped_lines():
        click.echo(f"{key}\t{load_line(key).name}")
