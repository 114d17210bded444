"""All files of a plan, written together or not at all."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from siteplan.errors import Finding
from siteplan.layers import Layer, plan_layers, table
from siteplan.laying.order import OrderRow
from siteplan.laying.takeoff import Takeoff
from siteplan.lengths import BedMeasures
from siteplan.ordering import Purchase, purchase
from siteplan.plans import RunPlan
from siteplan.publish.cells import safe_cell
from siteplan.publish.files import output_set
from siteplan.publish.orderbook import cutlist_csv, order_csv, purchase_data, saw_layer, write_workbook
from siteplan.publish.readback import read_back
from siteplan.publish.summary import summary, summary_text
from siteplan.publish.sureness import confidence_data
from siteplan.publish.vectors import write_geojson, write_geopackage
from siteplan.sites import Site
from siteplan.takeoffs import laid_plan, overlap_findings, play_findings, step_findings
from siteplan.types import FloatArray
from siteplan.uncertainty.suffice import LEVELS

EVERYTHING_UP_TO_BEDS = 5_000
"""a larger site writes the GeoPackage and the tables only, unless all is asked for"""

Formats = Literal["all", "geopackage"]


@dataclass(frozen=True, slots=True)
class Written:
    """What a run wrote."""

    folder: Path
    files: tuple[str, ...]
    summary: dict[str, Any]
    summary_text: str
    order: tuple[OrderRow, ...]
    findings: tuple[Finding, ...]
    bought: Purchase


def default_folder(place: Path) -> Path:
    """Where the results of a site or a file go when nobody says."""
    base = place.resolve()
    if base.name == "site.toml":
        base = base.parent
    return Path("siteplan-out") / base.stem


def all_findings(site: Site, plan: RunPlan, result: Takeoff) -> tuple[Finding, ...]:
    """Findings of every stage, errors first, each group in the order it was found."""
    found = [
        *site.findings,
        *plan.findings,
        *overlap_findings(site, plan, result),
        *step_findings(result),
        *play_findings(site, plan, result),
    ]
    return tuple(sorted(found, key=lambda f: f.grade != "error"))


def write_plan(
    site: Site,
    measures: BedMeasures,
    plan: RunPlan,
    result: Takeoff,
    folder: Path,
    *,
    formats: Formats | None = None,
    tapes: Layer | None = None,
    texts: Mapping[str, str] | None = None,
    more: Sequence[Layer] = (),
) -> Written:
    """Write every file of a plan.

    Parameters
    ----------
    site, measures, plan, result : the plan
    folder : output folder; made when it does not exist; files of the same names are replaced
    formats : ``all``, or ``geopackage`` for the GeoPackage and the tables only; by default
        all up to 5,000 beds
    tapes : layer of tape differences, where tapes were compared
    texts : further files to write beside, name to text
    more : further layers of the GeoPackage

    Raises
    ------
    OutputError : a file cannot be written; the old files stay as they were.
    """
    plan = laid_plan(site, plan, result)
    bought = purchase(site, plan, result, levels=LEVELS)
    order = bought.order.rows
    findings = (*all_findings(site, plan, result), *bought.order.findings)
    data = {
        **summary(site, measures, plan, result, order, findings),
        **purchase_data(bought),
        **confidence_data(site, result, bought),
    }
    text = summary_text(data)
    layers = plan_layers(site, measures, plan, result)
    if tapes is not None:
        layers[tapes.name] = tapes
    layers.update({extra.name: extra for extra in more})
    tables = {t.name: t for t in _tables(site, plan, result, order, findings)}
    tables["saw_list"] = saw_layer(result, bought)
    everything = formats == "all" or (formats is None and len(site.beds) <= EVERYTHING_UP_TO_BEDS)
    with output_set(folder) as partial:
        grid = {name: site.frame.grid(layer.xy) for name, layer in layers.items()}
        write_geopackage(partial / "plan.gpkg", {**layers, **tables}, grid, site.frame.crs_wkt)
        read_back(partial / "plan.gpkg", {**layers, **tables})
        if everything:
            from siteplan.publish.mapdata import map_data
            from siteplan.publish.webmap import write_map

            shown = map_data(site, measures, plan, result, order, findings, tapes=tapes)
            write_map(partial / "map.html", shown, piece_limit=site.settings.show.map_pieces)
            lonlat: dict[str, FloatArray] = {
                "pieces": shown.pieces.outline_lonlat,
                "runs": shown.runs.lonlat,
            }
            for name, where in lonlat.items():
                write_geojson(partial / f"{name}.geojson", layers[name], where)
        (partial / "takeoff.csv").write_text(_takeoff_csv(order), encoding="utf-8", newline="")
        (partial / "order.csv").write_text(order_csv(bought.order), encoding="utf-8", newline="")
        (partial / "cutlist.csv").write_text(cutlist_csv(site, result, bought), encoding="utf-8", newline="")
        write_workbook(partial / "order.xlsx", site, result, bought)
        (partial / "summary.json").write_text(text, encoding="utf-8", newline="")
        for name, content in (texts or {}).items():
            # half a surrogate pair in a name from the data has no UTF-8 form
            (partial / name).write_text(content, encoding="utf-8", errors="xmlcharrefreplace", newline="")
        files = tuple(sorted(p.name for p in partial.iterdir()))
    return Written(folder, files, data, text, order, findings, bought)


def _texts(values: list[Any]) -> Any:
    """A column of text or missing values."""
    column = np.empty(len(values), dtype=object)
    column[:] = [None if v is None else str(v) for v in values]
    return column


def _ints(values: list[int]) -> Any:
    return np.array(values, dtype=np.int64)


def _tables(
    site: Site,
    plan: RunPlan,
    result: Takeoff,
    order: tuple[OrderRow, ...],
    findings: tuple[Finding, ...],
) -> list[Layer]:
    """The tables of the GeoPackage."""
    runs, unmet = plan.runs, result.unmet
    settings = list(_flat("", site.settings.model_dump(mode="json")))
    return [
        table(
            "takeoff",
            {
                "code": _texts([r.code for r in order]),
                "name": _texts([r.name for r in order]),
                "kind": _texts([r.kind for r in order]),
                "takeoff": _ints([r.takeoff for r in order]),
                "cut_pieces": _ints([r.cut_pieces for r in order]),
                "cut_stock": _ints([r.cut_stock for r in order]),
                "for_unmet": _ints([r.for_unmet for r in order]),
                "breakage": _ints([r.breakage for r in order]),
                "spares": _ints([r.spares for r in order]),
                "ordered": _ints([r.order for r in order]),
                "pack": _ints([r.pack for r in order]),
                "line": _texts([r.line for r in order]),
            },
        ),
        table(
            "unmet",
            {
                "run": _texts(list(runs.run_id[unmet.run])),
                "leg": _texts(list(runs.leg_id[unmet.leg])),
                "short_m": np.asarray(unmet.short_m, dtype=np.float64),
                "why": _texts(list(unmet.why)),
            },
        ),
        table(
            "findings",
            {
                "code": _texts([f.code for f in findings]),
                "grade": _texts([f.grade for f in findings]),
                "bed": _texts([f.bed for f in findings]),
                "vertex": np.array([np.nan if f.vertex is None else f.vertex for f in findings], dtype=float),
                "text": _texts([f.text for f in findings]),
            },
        ),
        table(
            "settings", {"key": _texts([k for k, _ in settings]), "value": _texts([v for _, v in settings])}
        ),
    ]


def _flat(prefix: str, value: Any) -> list[tuple[str, Any]]:
    """Nested settings as dotted keys; lengths are whole micrometres."""
    if isinstance(value, dict):
        return [
            row for key, inner in value.items() for row in _flat(f"{prefix}.{key}" if prefix else key, inner)
        ]
    if isinstance(value, list):
        return [row for k, inner in enumerate(value, 1) for row in _flat(f"{prefix}[{k}]", inner)]
    return [(prefix, value)]


def _takeoff_csv(order: tuple[OrderRow, ...]) -> str:
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\r\n")
    rows.writerow(
        ["code", "name", "kind", "takeoff", "cut_pieces", "cut_stock", "for_unmet", "breakage", "spares",
         "order", "pack", "line"]
    )  # fmt: skip
    for r in order:
        rows.writerow(
            [safe_cell(r.code), safe_cell(r.name), r.kind, r.takeoff, r.cut_pieces, r.cut_stock, r.for_unmet,
             r.breakage, r.spares, r.order, r.pack, safe_cell(r.line)]
        )  # fmt: skip
    return out.getvalue()
