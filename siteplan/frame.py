"""The site's grid: source coordinates to ground metres, and back.

Two kinds.  The *local grid* is a transverse Mercator of the site's own, scaled to the
reference height, so that grid length is ground length.  A *named grid* is a surveyor's
(UTM, state plane, a national grid): there ground = grid / combined factor, the grid
scale times the height factor at the middle of the site.

A :class:`Frame` holds numbers and text only, so it can be compared, hashed and pickled;
the transformers behind it are built once in a process.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, cast

import numpy as np
from pyproj import CRS
from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import TransverseMercatorConversion

from siteplan import geodesy
from siteplan.errors import DataError, Fault, Finding, UsageError
from siteplan.geodesy import CrsFacts, DatumChange, Ellipsoid, crs_facts
from siteplan.model import Features, Shapes
from siteplan.types import FloatArray, LonLatArray, XYArray
from siteplan.units import METRES, Unit

HeightKind = Literal["ellipsoidal", "sea_level"]

GREATEST_EXTENT_M: Final = 20_000.0
LOCAL_EASTING_M: Final = 7_000_000.0
LOCAL_NORTHING_M: Final = 50_000.0
"""False origin of the local grid.  No regional grid of the EPSG data set (as PROJ 9.5.1
ships it) has such coordinates within its area of use; only grids of a whole continent or
the world have, in which nobody sets out.  So a local coordinate cannot be taken for a
surveyor's, nor an easting for a northing.  ``tests/test_frame.py`` repeats the search."""

AUTO_SCALE_LIMIT: Final = 1e-3
"""a grid of the beds' own CRS is kept when its scale is this near to 1"""
NAMED_SCALE_LIMIT: Final = 1e-2
"""a grid asked for by name is refused beyond this: it was made for another place"""
STRETCH_LIMIT: Final = 1e-5
"""greatest over least scale, less 1: beyond this one factor cannot serve all directions"""
VARIATION_LIMIT: Final = 1e-4
"""change of scale over the site beyond which one factor cannot serve the site: 1 cm in 100 m"""
_WGS84: Final = "EPSG:4326"
_LOWEST_M, _HIGHEST_M = -1000.0, 9000.0


@dataclass(frozen=True, slots=True)
class Frame:
    """The site's grid.  Made by :func:`make_frame`."""

    name: str
    """for people: ``local grid`` or the code and name of the named grid"""
    why: str
    """why this grid was chosen, in a sentence"""
    code: str | None
    """authority code of a named grid"""
    is_local: bool
    unit: Unit
    """of ``grid()`` coordinates"""
    crs_wkt: str
    """WKT 2 of the grid"""
    datum: str
    datum_crs: str
    """a CRS on the site's datum: the named grid, or the CRS of the beds"""
    ellipsoid: Ellipsoid
    grid_scale: float
    """point scale of the projection at the middle of the site: grid over ellipsoid"""
    height_factor: float
    """ellipsoid over ground length at the reference height, R / (R + h)"""
    combined_factor: float
    """grid over ground length; 1 in the local grid.  Rounded to 8 decimals as it is printed,
    and used as it is printed"""
    height_m: float | None
    """reference height as given"""
    height_kind: HeightKind
    geoid_height_m: float | None
    centre_lonlat: tuple[float, float]
    """middle of the beds' box, or the one settled before; degrees on the site's datum"""
    origin: tuple[float, float]
    """grid coordinates of xy (0, 0), exactly"""
    extent_m: tuple[float, float]
    """width and height of the beds' box"""
    scale_variation: tuple[float, float]
    """least and greatest relative departure of the true factor from the one used, over the
    beds' box, at the one reference height"""
    convergence_deg: float
    """at the middle of the site: true azimuth = grid azimuth + convergence"""
    to_wgs84: DatumChange | None
    """None where the site's datum is WGS 84"""
    transformations: tuple[DatumChange, ...]
    """every change of datum in use: beds to grid, other layers to grid, site to WGS 84"""

    # --- coordinates ---

    @property
    def ellipsoidal_height_m(self) -> float:
        """Reference height above the ellipsoid; 0 where none was given."""
        return (self.height_m or 0.0) + (self.geoid_height_m or 0.0)

    @property
    def ground_m_per_grid_unit(self) -> float:
        """Ground metres in one unit of the grid."""
        return float(METRES[self.unit]) / self.combined_factor

    def datum_change(self, crs: str) -> DatumChange | None:
        """How coordinates of a CRS are brought to the site's datum; None where it is the same.

        Raises
        ------
        DataError : CRS not understood, or only a ballpark exists.
        """
        return geodesy.datum_change(crs, self.datum_crs, _area(self.datum_crs, self.centre_lonlat))

    def _site_lonlat(self, coords: FloatArray, crs: str) -> LonLatArray:
        lonlat = geodesy.unproject(crs, coords)
        change = self.datum_change(crs)
        return lonlat if change is None else change.apply(lonlat)

    def _ground_xy(self, coords: FloatArray, crs: str) -> XYArray:
        """As :meth:`ground_xy`, with inf for places the grid does not have."""
        if crs_facts(crs).wkt == self.crs_wkt:
            grid = np.asarray(coords, dtype=np.float64).reshape(-1, 2)
        else:
            grid = geodesy.project(self.crs_wkt, self._site_lonlat(coords, crs))
        return (grid - self.origin) * self.ground_m_per_grid_unit

    def site_lonlat(self, coords: FloatArray, crs: str) -> LonLatArray:
        """Source coordinates as longitude and latitude on the site's own datum.

        Parameters
        ----------
        coords : (n, 2) in ``crs``, x first
        crs : authority code or WKT

        Returns
        -------
        (n, 2) degrees.  Degrees on the site's datum pass through untouched.

        Raises
        ------
        DataError : CRS not understood, only a ballpark datum change, or a place the CRS
            does not have.
        """
        lonlat = self._site_lonlat(coords, crs)
        _refuse_nowhere(lonlat, np.asarray(coords), crs)
        return lonlat

    def ground_xy(self, coords: FloatArray, crs: str) -> XYArray:
        """Source coordinates to the working ground metres of the site.

        Parameters
        ----------
        coords : (n, 2) in ``crs``, x first
        crs : authority code or WKT

        Returns
        -------
        (n, 2) metres, x east, y north.  Coordinates already in the named grid are only
        shifted and scaled.

        Raises
        ------
        DataError : as :meth:`site_lonlat`, or beyond where the grid reaches.
        """
        xy = self._ground_xy(coords, crs)
        _refuse_nowhere(xy, np.asarray(coords), crs)
        return xy

    def grid(self, xy: XYArray) -> FloatArray:
        """(n, 2) coordinates in ``crs_wkt``, in its unit, of ground metres."""
        return np.asarray(xy, dtype=np.float64).reshape(-1, 2) / self.ground_m_per_grid_unit + self.origin

    def lonlat(self, xy: XYArray) -> LonLatArray:
        """(n, 2) degrees on the site's own datum, of ground metres: for geodesics."""
        return geodesy.unproject(self.crs_wkt, self.grid(xy))

    def from_lonlat(self, lonlat: LonLatArray) -> XYArray:
        """(n, 2) ground metres, of degrees on the site's own datum: the opposite of :meth:`lonlat`."""
        grid = geodesy.project(self.crs_wkt, np.asarray(lonlat, dtype=np.float64).reshape(-1, 2))
        return (grid - self.origin) * self.ground_m_per_grid_unit

    def wgs84(self, xy: XYArray) -> LonLatArray:
        """(n, 2) degrees on WGS 84, of ground metres: for GeoJSON and the web map."""
        lonlat = self.lonlat(xy)
        return lonlat if self.to_wgs84 is None else self.to_wgs84.apply(lonlat)

    def coords(self, xy: XYArray, crs: str) -> FloatArray:
        """(n, 2) coordinates in another CRS, of ground metres: for rasters and foreign grids.

        The opposite of :meth:`ground_xy`; inf where the CRS has no such place.

        Raises
        ------
        DataError : CRS not understood, or only a ballpark datum change.
        """
        if crs_facts(crs).wkt == self.crs_wkt:
            return self.grid(xy)
        change = geodesy.datum_change(self.datum_crs, crs, _area(self.datum_crs, self.centre_lonlat))
        lonlat = self.lonlat(xy)
        return geodesy.project(crs, lonlat if change is None else change.apply(lonlat))

    def shapes(self, features: Features) -> Shapes:
        """Features in the site's working axes.

        Raises
        ------
        DataError : as :meth:`ground_xy`, naming every feature it cannot place.
        """
        xy = self._ground_xy(features.coords, features.crs)
        _refuse_nowhere(xy, features.coords, features.crs, features)
        return Shapes(
            ids=features.ids,
            xy=xy,
            ring_offsets=features.ring_offsets,
            ring_kind=features.ring_kind,
            ring_feature=features.ring_feature,
        )

    # --- words ---

    def describe(self) -> str:
        """The grid in one paragraph, for the printed summary."""
        least, greatest = (1e6 * v for v in self.scale_variation)
        parts = [f"Grid: {self.name}, in {self.unit}, datum {self.datum}.", f"{self.why}"]
        if self.is_local:
            parts.append(
                f"Transverse Mercator, scale {self.grid_scale:.10f} at its middle: grid lengths are "
                "ground lengths."
            )
        else:
            parts.append(
                f"Grid scale {self.grid_scale:.8f} x height factor {self.height_factor:.8f} = combined "
                f"factor {self.combined_factor:.8f}; ground = grid / combined factor."
            )
        parts.append(f"Over the site the factor varies by {least:+.2f} to {greatest:+.2f} ppm.")
        parts.append(self._height_text())
        return " ".join(parts)

    def _height_text(self) -> str:
        if self.height_m is None:
            return "Reference height: none, ground is the ellipsoid."
        if self.geoid_height_m is None:
            return f"Reference height: {self.height_m:g} m above the ellipsoid."
        return (
            f"Reference height: {self.height_m:g} m above sea level + geoid height {self.geoid_height_m:g} m "
            f"= {self.ellipsoidal_height_m:g} m above the ellipsoid."
        )


# --- choosing and making --------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Box:
    """The beds' box on a datum: middle, and the sample of places the scale is judged at."""

    centre: tuple[float, float]
    extent_m: tuple[float, float]
    sample: LonLatArray


def make_frame(
    beds: Features,
    *,
    grid: str = "auto",
    height_m: float | None = None,
    height_kind: HeightKind = "ellipsoidal",
    geoid_height_m: float | None = None,
    others: Sequence[Features] = (),
    centre_lonlat: tuple[float, float] | None = None,
) -> tuple[Frame, tuple[Finding, ...]]:
    """Choose the site's grid and make it.

    Parameters
    ----------
    beds : the beds of the site, all in one CRS
    grid : ``auto`` keeps the grid of the beds' own CRS where it is a surveyor's (in m, ft
        or ftUS, conformal, scale within 1e-3 of 1) and makes a local grid otherwise;
        ``local`` makes a local grid; anything else names a CRS, such as ``EPSG:26916``
    height_m : reference height of the site
    height_kind : ``ellipsoidal`` (above the ellipsoid), or ``sea_level``, which needs
        ``geoid_height_m``
    geoid_height_m : of sea level above the ellipsoid (negative where it lies below)
    others : abutments and openings, whose changes of datum are recorded too
    centre_lonlat : middle of the site on its datum, where it was settled before: the grid is made for
        this place instead of the middle of the beds' box, so it stays where it is when a bed changes.
        Then a site without any bed has a grid too

    Returns
    -------
    frame
    findings : ``no-height``, ``datum-change``, ``outside-area-of-use``, ``grid-scale-varies``

    Raises
    ------
    DataError : no beds, a place that is none, a site of more than 20 km, a grid that does
        not fit the site, a height without its kind, a change of datum only a ballpark leads to.

    Notes
    -----
    The site's datum is that of a grid asked for by name, else that of the beds' CRS.  The
    local grid's middle is the middle of the beds' box rounded to 0.01 degree (within 0.8 km),
    so that its coordinates usually outlive a change of the beds; this costs less than 1e-8.
    """
    height = _ellipsoidal_height(height_m, height_kind, geoid_height_m)
    facts = crs_facts(beds.crs)
    box = _box(geodesy.unproject(beds.crs, beds.coords), beds, facts, centre_lonlat)
    change: DatumChange | None = None
    if grid not in ("auto", "local"):
        asked = crs_facts(grid)
        _refuse(_never_fit(asked))
        change = geodesy.datum_change(beds.crs, grid, _area(beds.crs, box.centre))
        if change is not None:
            moved = change.apply(geodesy.unproject(beds.crs, beds.coords))
            box = _box(moved, beds, asked, centre_lonlat)
        _refuse(_unfit(asked, box, NAMED_SCALE_LIMIT))
        made = _named(grid, asked, box, height, "Asked for by name.")
    else:
        unfit = "a local grid was asked for" if grid == "local" else _unfit(facts, box, AUTO_SCALE_LIMIT)
        if unfit is None:
            why = f"The beds come in {facts.label}, a surveyor's grid whose scale fits here, so it is kept."
            made = _named(beds.crs, facts, box, height, why)
        else:
            made = _local(beds.crs, facts, box, height, f"{unfit[0].upper()}{unfit[1:]}.")
    return _finish(made, (height_m, height_kind, geoid_height_m), change, (beds, *others))


def _ellipsoidal_height(height_m: float | None, kind: str, geoid_height_m: float | None) -> float:
    """Height above the ellipsoid, h = H + N; all faults of the three at once."""
    if kind not in ("ellipsoidal", "sea_level"):
        raise UsageError(f'height kind "{kind}" is not known; use ellipsoidal or sea_level')
    faults = []
    if kind == "sea_level" and height_m is not None and geoid_height_m is None:
        faults.append(
            Fault(
                "geoid-height",
                f"the height {height_m:g} m is above sea level, and the geoid height is not given",
                "Give geoid_height_m (from a national geoid model or a survey), "
                "or a height above the ellipsoid.",
            )
        )
    if geoid_height_m is not None and (kind != "sea_level" or height_m is None):
        faults.append(
            Fault(
                "geoid-height",
                f"a geoid height of {geoid_height_m:g} m is given without a height above sea level",
                'Set the height kind to "sea_level" and give the height, or leave the geoid height out.',
            )
        )
    if height_m is not None and not _LOWEST_M <= height_m <= _HIGHEST_M:
        faults.append(
            Fault(
                "height", f"a height of {height_m} m is not on land", "Give the reference height in metres."
            )
        )
    if geoid_height_m is not None and not abs(geoid_height_m) <= 120:
        faults.append(
            Fault(
                "geoid-height",
                f"a geoid height of {geoid_height_m} m does not exist",
                "Give it in metres; on earth it lies between -110 and 90 m.",
            )
        )
    if faults:
        raise DataError(*faults)
    return (height_m or 0.0) + (geoid_height_m or 0.0)


def _area(crs: str, centre: tuple[float, float]) -> tuple[float, float, float, float]:
    """Box of 20 km or so round a place of a CRS's datum, degrees from Greenwich."""
    lon = centre[0] + crs_facts(crs).prime_meridian_deg
    west, east = ((x + 180) % 360 - 180 for x in (lon - 0.1, lon + 0.1))
    return west, max(-90.0, centre[1] - 0.1), east, min(90.0, centre[1] + 0.1)


def _refuse_nowhere(
    placed: FloatArray, coords: FloatArray, crs: str, features: Features | None = None
) -> None:
    """Refuse coordinates that were brought to no place; one fault for each feature."""
    bad = np.flatnonzero(~np.isfinite(placed).all(axis=1))
    if not len(bad):
        return
    ring_feature = np.zeros(1, dtype=np.int64) if features is None else features.ring_feature
    starts = np.zeros(1, dtype=np.int64) if features is None else features.ring_offsets[:-1]
    feature = ring_feature[np.searchsorted(starts, bad, side="right") - 1]
    _, first = np.unique(feature, return_index=True)
    label = crs_facts(crs).label
    raise DataError(
        *(
            Fault(
                "nowhere",
                f"coordinates {coords[v][0]}, {coords[v][1]} are no place of {label} "
                "that the site's grid can reach",
                "Check that the layer is in the CRS it says, and that it belongs to this site.",
                file=None if features is None else str(features.file[f]),
                feature=None if features is None else str(features.ids[f]),
                vertex=int(v - starts[np.searchsorted(ring_feature, f)]) + 1,
            )
            for v, f in zip(bad[first].tolist(), feature[first].tolist(), strict=True)
        )
    )


def _box(
    lonlat: LonLatArray, beds: Features, facts: CrsFacts, centre: tuple[float, float] | None = None
) -> _Box:
    """Box of the beds; longitudes are unrolled, so the 180th meridian may run through it."""
    if not len(lonlat) and centre is not None:
        return _Box(centre, (0.0, 0.0), np.tile(np.array([centre]), (25, 1)))
    if not len(lonlat):
        raise DataError(
            Fault("no-beds", "there are no beds to plan", "Give a layer with at least one outline.")
        )
    places = np.where(np.abs(lonlat[:, 1:]) <= 89, lonlat, np.inf)
    _refuse_nowhere(places, beds.coords, beds.crs, beds)
    lon = lonlat[0, 0] + (lonlat[:, 0] - lonlat[0, 0] + 180) % 360 - 180
    west, east, south, north = lon.min(), lon.max(), lonlat[:, 1].min(), lonlat[:, 1].max()
    middle_lon, middle_lat = (west + east) / 2, (south + north) / 2
    ends = np.array([[west, middle_lat], [middle_lon, south], [east, middle_lat], [middle_lon, north]])
    width, height = geodesy.inverse(ends[:2], ends[2:], ellipsoid=facts.ellipsoid)[0].tolist()
    if max(width, height) > GREATEST_EXTENT_M or east - west > 90:
        raise DataError(*_far_faults(np.column_stack([lon, lonlat[:, 1]]), beds, facts, (width, height)))
    grid = np.meshgrid(np.linspace(west, east, 5), np.linspace(south, north, 5))
    middle = ((float(middle_lon) + 180) % 360 - 180, float(middle_lat))
    if centre is not None:
        away = float(geodesy.inverse(np.array([middle]), np.array([centre]), ellipsoid=facts.ellipsoid)[0][0])
        if away > GREATEST_EXTENT_M:
            raise DataError(_moved_away(away))
    return _Box(
        middle if centre is None else centre,
        (width, height),
        np.column_stack([g.ravel() for g in grid]),
    )


def _moved_away(away_m: float) -> Fault:
    return Fault(
        "grid-centre",
        f"the beds lie {away_m / 1000:,.1f} km from the middle the site's grid was made for, and a site is "
        f"at most {GREATEST_EXTENT_M / 1000:g} km wide",
        "Check the CRS of the beds, or plan another property as a site of its own",
    )


def _far_faults(
    lonlat: LonLatArray, beds: Features, facts: CrsFacts, extent_m: tuple[float, float]
) -> list[Fault]:
    """The site as a whole, then up to five beds that lie farthest from the middle one."""
    width, height = (e / 1000 for e in extent_m)
    faults = [
        Fault(
            "site-extent",
            f"the beds spread over {width:,.1f} km by {height:,.1f} km, and a site is at most "
            f"{GREATEST_EXTENT_M / 1000:g} km",
            "Plan each property by itself; or check the CRS and the order of the coordinates "
            "if they should lie together.",
        )
    ]
    first = lonlat[beds.ring_offsets[np.searchsorted(beds.ring_feature, np.arange(len(beds)))]]
    middle = np.tile(np.median(first, axis=0), (len(first), 1))
    away = geodesy.inverse(middle, first, ellipsoid=facts.ellipsoid)[0]
    far = np.argsort(-away, kind="stable")[:5]
    faults += [
        Fault(
            "far-away",
            f"this bed lies {away[k] / 1000:,.1f} km from the middle of the others",
            "Take it out, or mend its coordinates.",
            file=str(beds.file[k]),
            feature=str(beds.ids[k]),
        )
        for k in far.tolist()
        if away[k] > GREATEST_EXTENT_M / 2 and len(beds) > 2
    ]
    return faults


def _never_fit(facts: CrsFacts) -> str | None:
    """Why a CRS can be no site's grid, as half a sentence; None where it may be."""
    if facts.is_geographic:
        return f"{facts.label} is longitude and latitude, not a grid"
    if facts.is_web_mercator:
        return f"{facts.label} is a web map's projection, whose metres are not metres on the ground"
    if facts.unit is None:
        return f"{facts.label} counts in {facts.unit_name}, and grids are in m, ft or ftUS"
    if not facts.east_north:
        return f"the axes of {facts.label} do not point east and north"
    return None


def _unfit(facts: CrsFacts, box: _Box, scale_limit: float) -> str | None:
    """Why a CRS cannot be this site's grid, as half a sentence; None where it can."""
    never = _never_fit(facts)
    if never is not None:
        return never
    if not np.isfinite(geodesy.project(facts.wkt, box.sample)).all():
        return f"{facts.label} does not reach the site"
    factors = geodesy.grid_factors(facts.wkt, np.vstack([[box.centre], box.sample]))
    scale = float(factors.scale[0])
    if not abs(scale - 1) <= scale_limit:
        return f"the scale of {facts.label} at the site is {scale:.6f}, more than {scale_limit:g} from 1"
    if not float(factors.stretch.max()) <= STRETCH_LIMIT:
        return f"{facts.label} stretches one direction more than another at the site"
    if not np.abs(factors.scale / scale - 1).max() <= VARIATION_LIMIT:
        return f"the scale of {facts.label} changes too much over the site for one factor"
    return None


def _refuse(unfit: str | None) -> None:
    if unfit is not None:
        raise DataError(
            Fault(
                "grid",
                f"the grid asked for does not fit: {unfit}",
                'Name the UTM, state plane or national grid the site lies in, or use "local".',
            )
        )


def _variation(factors: FloatArray, used: float) -> tuple[float, float]:
    ratio = factors / used - 1
    return float(ratio.min()), float(ratio.max())


def _named(crs: str, facts: CrsFacts, box: _Box, height: float, why: str) -> Frame:
    """The grid of a projected CRS, with its combined factor at the middle of the site."""
    factors = geodesy.grid_factors(facts.wkt, np.vstack([[box.centre], box.sample]))
    scale = float(factors.scale[0])
    height_factor = geodesy.height_factor(height, box.centre[1], ellipsoid=facts.ellipsoid)
    combined = round(scale * height_factor, 8)
    # Whole hundreds: the shift from grid coordinates to xy is exact and can be read.
    middle = np.round(geodesy.project(facts.wkt, np.array([box.centre]))[0], -2)
    return Frame(
        name=facts.label,
        why=why,
        code=facts.code,
        is_local=False,
        unit=cast("Unit", facts.unit),
        crs_wkt=facts.wkt,
        datum=facts.datum,
        datum_crs=crs,
        ellipsoid=facts.ellipsoid,
        grid_scale=scale,
        height_factor=height_factor,
        combined_factor=combined,
        height_m=None,
        height_kind="ellipsoidal",
        geoid_height_m=None,
        centre_lonlat=box.centre,
        origin=(float(middle[0]), float(middle[1])),
        extent_m=box.extent_m,
        scale_variation=_variation(factors.scale * height_factor, combined),
        convergence_deg=float(factors.convergence_deg[0]),
        to_wgs84=None,
        transformations=(),
    )


def _local(crs: str, facts: CrsFacts, box: _Box, height: float, why: str) -> Frame:
    """The site's own transverse Mercator, scale 1 / height factor at its middle."""
    lon, lat = (round(v, 2) for v in box.centre)
    height_factor = geodesy.height_factor(height, lat, ellipsoid=facts.ellipsoid)
    scale = round(1 / height_factor, 10)
    geographic = CRS.from_wkt(facts.geographic_wkt)
    local = crs_facts(
        ProjectedCRS(
            name=f"{geodesy.LOCAL_GRID} {lat:.2f} {lon:.2f}",
            conversion=TransverseMercatorConversion(
                latitude_natural_origin=lat,
                longitude_natural_origin=lon,
                false_easting=LOCAL_EASTING_M,
                false_northing=LOCAL_NORTHING_M,
                scale_factor_natural_origin=scale,
            ),
            geodetic_crs=geographic,
        ).to_wkt()
    )
    factors = geodesy.grid_factors(local.wkt, np.vstack([[box.centre], box.sample]))
    return Frame(
        name="local grid",
        why=f"{why[:-1]}, so the site has a local grid of its own.",
        code=None,
        is_local=True,
        unit="m",
        crs_wkt=local.wkt,
        datum=facts.datum,
        datum_crs=crs,
        ellipsoid=facts.ellipsoid,
        grid_scale=scale,
        height_factor=height_factor,
        combined_factor=1.0,
        height_m=None,
        height_kind="ellipsoidal",
        geoid_height_m=None,
        centre_lonlat=box.centre,
        origin=(LOCAL_EASTING_M, LOCAL_NORTHING_M),
        extent_m=box.extent_m,
        scale_variation=_variation(factors.scale, scale),
        convergence_deg=float(factors.convergence_deg[0]),
        to_wgs84=None,
        transformations=(),
    )


def _finish(
    made: Frame,
    height: tuple[float | None, HeightKind, float | None],
    beds_change: DatumChange | None,
    layers: Sequence[Features],
) -> tuple[Frame, tuple[Finding, ...]]:
    """Add heights and changes of datum to a frame, and say what the reader should know."""
    to_wgs84 = geodesy.datum_change(made.datum_crs, _WGS84, _area(made.datum_crs, made.centre_lonlat))
    changes: dict[DatumChange, str] = {}
    for layer in layers:
        change = beds_change if layer is layers[0] else made.datum_change(layer.crs)
        if change is not None:
            changes.setdefault(change, f"The {layer.role} were brought from {change.text}")
    if to_wgs84 is not None:
        changes.setdefault(
            to_wgs84,
            f"Positions in GeoJSON and on the web map (not lengths) were brought from {to_wgs84.text}",
        )
    frame = replace(
        made,
        height_m=height[0],
        height_kind=height[1],
        geoid_height_m=height[2],
        to_wgs84=to_wgs84,
        transformations=tuple(changes),
    )
    findings = [Finding("datum-change", "notice", text) for text in changes.values()]
    return frame, (*_height_findings(frame), *_scale_findings(frame), *findings)


def _height_findings(frame: Frame) -> list[Finding]:
    if frame.height_m is not None:
        return []
    radius = float(frame.ellipsoid.gaussian_radius_m(frame.centre_lonlat[1]))
    ppm = 100 / radius * 1e6
    return [
        Finding(
            "no-height",
            "notice",
            "No reference height is given, so ground lengths are lengths on the ellipsoid. 100 m of height "
            f"would make them {ppm:.0f} ppm longer ({ppm / 10:.1f} mm in 100 m).",
        )
    ]


def _scale_findings(frame: Frame) -> list[Finding]:
    findings = []
    worst = max(map(abs, frame.scale_variation))
    if worst > 1e-5:
        findings.append(
            Finding(
                "grid-scale-varies",
                "notice",
                f"The scale of {frame.name} changes over the site by up to {worst * 1e6:.0f} ppm from the "
                f"one factor used, so ground lengths at its edge are off by up to {worst * 1e5:.1f} mm "
                "in 100 m. A local grid would not be.",
            )
        )
    area = None if frame.is_local else crs_facts(frame.crs_wkt).area_of_use
    if area is not None and not _within(frame, area):
        findings.append(
            Finding(
                "outside-area-of-use",
                "notice",
                f"The site lies outside the area {frame.name} was made for; check that it is the right grid.",
            )
        )
    return findings


def _within(frame: Frame, area: tuple[float, float, float, float]) -> bool:
    west, south, east, north = area
    lon = frame.centre_lonlat[0] + crs_facts(frame.datum_crs).prime_meridian_deg
    round_the_world = east - west >= 360
    across = round_the_world or (lon - west) % 360 <= (east - west) % 360
    return across and south <= frame.centre_lonlat[1] <= north
