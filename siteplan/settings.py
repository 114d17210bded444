"""``site.toml``: everything a person may say about a site, checked.

``site.toml`` is the person's own file; the program reads it and never writes it.
Precedence of a value: bed override, site, product line, default.
"""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, PlainSerializer, field_validator, model_validator

from siteplan.asbuilt_settings import AsBuiltSettings
from siteplan.desk_settings import DeskSettings
from siteplan.stakeout_settings import StakeoutSettings, SurveyedMark
from siteplan.tape_settings import Reconcile, TapeRow
from siteplan.tomlfile import LengthUm, Table, not_negative, positive, read_toml, validated
from siteplan.uncertainty_settings import Uncertainty

SCHEMA_VERSION = 1


PositiveUm = Annotated[LengthUm, AfterValidator(positive)]
NotNegativeUm = Annotated[LengthUm, AfterValidator(not_negative)]
Side = Literal["left", "right"]
EndName = Literal["free", "abutted"]


LengthUnit = Literal["m", "mm", "cm", "in", "ft", "ftUS", "yd"]


class AnchorPair(Table):
    """One point known in a file and on the map."""

    file: Annotated[list[float], Field(min_length=2, max_length=2)]
    """x, y in the file's unit (field notes: metres)"""
    map: Annotated[list[float], Field(min_length=2, max_length=2)]
    """easting, northing or longitude, latitude in ``crs``"""
    name: str | None = None


class InputFile(Table):
    """One input file (or one layer of it).

    The keys after ``crs`` are for formats that leave these things open; one a format has no use
    for is a fault when the file is read.
    """

    file: str
    """path, relative to the folder of ``site.toml``"""
    layer: str | None = None
    """layer of a file that holds several"""
    where: str | None = None
    """attribute filter, in the SQL of the OGR library: ``landuse = 'grass'``"""
    crs: str | None = None
    """the CRS, for a file that does not say: ``EPSG:2230``"""
    assume: str | None = None
    """the CRS to take whatever a file of features says; a finding records it"""
    layers: Annotated[list[str], Field(min_length=1)] | None = None
    """drawing layers, tracks by name, survey codes, or outlines of field notes to take"""
    unit: LengthUnit | None = None
    """unit of a drawing that does not say, or of survey points on axes of the site's own"""
    unit_overrules: bool | None = None
    """true: ``unit`` is right where the drawing states another"""
    height_unit: Literal["m", "ft", "ftUS"] | None = None
    """unit of the heights of survey points, where it is not that of their coordinates"""
    columns: dict[str, str] | None = None
    """column of a survey file for a meaning, where the header's words leave it open"""
    anchor: Annotated[list[AnchorPair], Field(min_length=1)] | None = None
    """points known in the file and on the map; the file is turned and moved onto them, never stretched"""
    chord_tolerance: PositiveUm | None = None
    """greatest distance of an arc or curve from the chords that stand for it; 1 mm"""
    join_within: NotNegativeUm | None = None
    """ends of lines in a drawing this close are joined; 1 mm"""
    simplify: NotNegativeUm | None = None
    """a walk is simplified within this; 0.5 m"""
    closed: Literal["auto", "yes", "no"] | None = None
    """whether a walk is an outline; auto: where its ends meet"""
    close_within: NotNegativeUm | None = None
    """ends of a walk this close meet; 5 m"""
    hdop_limit: Annotated[float, Field(gt=0)] | None = None
    """points of a walk with a greater HDOP are told; 5"""
    nested: Literal["islands", "outlines"] | None = None
    """closed outlines within closed ones: islands, or outlines of their own"""

    @model_validator(mode="after")
    def _one_crs(self) -> InputFile:
        if self.crs is not None and self.assume is not None:
            raise ValueError("crs and assume are both given; only assume overrules what the file says")
        return self


class WhereaboutsTable(Table):
    """About where the site lies: used only to name likely CRSs for a file that states none."""

    near: Annotated[list[float], Field(min_length=2, max_length=2)] | None = None
    """longitude, latitude on WGS 84"""
    within: PositiveUm | None = None
    """how well that is known; 5 km"""
    region: str | None = None
    """country or state, in English"""
    weights: dict[str, float] = {}
    """weights of the search that differ from the defaults; see docs/crs-detective.md"""


class HeightFile(Table):
    """An elevation model."""

    file: str
    """GeoTIFF, path relative to the folder of ``site.toml``"""
    crs: str | None = None
    """the CRS, for a file that does not say"""
    unit: Literal["m", "ft", "ftUS"] | None = None
    """of its heights, for a file that does not say"""
    band: Annotated[int, Field(ge=1)] | None = None


class PictureFile(Table):
    """A georeferenced picture from above."""

    file: str
    """GeoTIFF, or a picture with a world file beside it"""
    crs: str | None = None
    """the CRS, for a file that does not say"""
    bands: list[Annotated[int, Field(ge=1)]] | None = None
    """the bands shown as red, green and blue, or one shown as grey"""
    traced: bool = True
    """the outlines were traced from this picture, so its pixels say how good they are"""

    @field_validator("bands")
    @classmethod
    def _one_or_three(cls, value: list[int] | None) -> list[int] | None:
        if value is not None and len(value) not in (1, 3):
            raise ValueError("must name one band or three")
        return value


class Inputs(Table):
    """Where the outlines come from."""

    # Left out only where the beds are in the site's record: sites.read_inputs looks.
    beds: list[InputFile] = Field(default=[], min_length=1)
    abutments: list[InputFile] = []
    openings: list[InputFile] = []
    heights: list[HeightFile] = []
    """elevation models, the preferred first"""
    pictures: list[PictureFile] = []
    """pictures from above, the preferred first"""
    line_attribute: str = "line"
    """attribute of the beds that holds their product line; empty: none does"""
    id_attribute: str | None = None
    """attribute of the beds that holds their id; otherwise ``bed``, ``id`` or ``ref``"""
    name_attribute: str | None = None
    mixed_crs: Literal["refuse", "transform"] = "refuse"
    """what to do when beds, abutments and openings come in different CRSs"""
    skip_faulty: bool = False
    """leave faulty features out and say so, instead of stopping"""


class Grid(Table):
    """The site's grid and height."""

    name: str = "auto"
    """``auto``, ``local`` (centred on the site), or a code such as ``EPSG:3418``"""
    height: LengthUm | None = None
    """reference height of the site; lengths are true at this height"""
    height_kind: Literal["ellipsoidal", "sea_level"] = "ellipsoidal"
    geoid_height: LengthUm | None = None
    """height of the geoid above the ellipsoid; needed with ``sea_level``"""

    @field_validator("name")
    @classmethod
    def _grid_name(cls, value: str) -> str:
        if value in ("auto", "local") or re.fullmatch(r"[A-Za-z]+:\w+", value):
            return value
        raise ValueError('must be "auto", "local" or a code such as "EPSG:3418"')

    @model_validator(mode="after")
    def _heights(self) -> Grid:
        if self.height_kind == "sea_level" and (self.height is None or self.geoid_height is None):
            raise ValueError('height_kind "sea_level" needs both height and geoid_height')
        if self.geoid_height is not None and self.height_kind != "sea_level":
            raise ValueError('geoid_height goes with height_kind = "sea_level"')
        return self


class Show(Table):
    """How numbers are shown."""

    units: Literal["ft", "m"] = "m"
    inch_fraction: Literal[1, 2, 4, 8, 16, 32, 64] = 8
    """finest fraction of an inch shown: 8 means 1/8 in"""
    map_pieces: Annotated[int, Field(ge=0)] = 60_000
    """the map draws single pieces up to this number, above it runs only"""


class OutlineSettings(Table):
    """How runs, legs and corners come from an outline."""

    offset: LengthUm = 0
    """laying line from the outline, positive away from the bed"""
    bed_side: Side = "left"
    """side of an open line the bed lies on, walking as drawn"""
    corner_turn_deg: Annotated[float, Field(gt=0, lt=180)] = 35.0
    corner_stretch: PositiveUm = 500_000
    straight_within: NotNegativeUm = 20_000
    """a leg whose vertices all lie this close to a straight line is straight"""
    least_run: NotNegativeUm = 100_000
    """a stretch shorter than this between two gaps takes no edging"""
    abut_within: NotNegativeUm = 300_000
    """an outline this close alongside an abutment takes no edging"""
    abut_least: NotNegativeUm = 300_000
    """shortest stretch that counts as alongside"""
    opening_reach: PositiveUm = 500_000
    """an opening drawn as a line or point acts on outlines this close"""
    shared_within: NotNegativeUm = 50_000
    """edges of two beds this close are edged once"""
    tracing_sigma: PositiveUm | None = None
    """standard deviation of a traced vertex, each way; default: from the pictures traced from"""
    refit: Literal["off", "arcs"] = "off"
    """arcs: vertices on arcs and lines are replaced by the arcs and lines themselves"""
    eave: NotNegativeUm | None = None
    """how far roofs overhang their walls, for abutments with source = roof that do not say"""


class Heights(Table):
    """How heights are used."""

    use: Literal["model", "outline"] | None = None
    """an elevation model (the default where one is given), or the outlines' own Z"""
    unit: Literal["m", "ft", "ftUS"] | None = None
    """of the outlines' own Z, for a format that does not say"""
    smooth: NotNegativeUm = 3_000_000
    """heights are smoothed over this distance along a run, to either side"""
    step: PositiveUm | None = None
    """greatest step of edging that steps down a slope; half the height of the pieces by default"""


class Pictures(Table):
    """How pictures are taken."""

    tracing_error: PositiveUm | None = None
    """standard deviation of a traced vertex, where it is known"""
    tracing_error_px: Annotated[float, Field(gt=0, le=100)] = 2.0
    """the same in pixels, where it is not: an assumption"""
    stretch: tuple[Annotated[float, Field(ge=0, le=100)], Annotated[float, Field(ge=0, le=100)]] = (2.0, 98.0)
    """percentiles shown as black and white, of pictures with more than 8 bits"""

    @model_validator(mode="before")
    @classmethod
    def _pair(cls, data: object) -> object:
        if isinstance(data, dict) and isinstance(data.get("stretch"), list):
            data = {**data, "stretch": tuple(data["stretch"])}
        return data

    @field_validator("stretch")
    @classmethod
    def _rising(cls, value: tuple[float, float]) -> tuple[float, float]:
        if value[0] >= value[1]:
            raise ValueError("the first percentile must be less than the second")
        return value


class Fit(Table):
    """How a leg is filled."""

    prefer: Literal["pieces", "fit", "cost"] = "pieces"
    short: NotNegativeUm = 6_000
    """a fill may be this much shorter than its leg"""
    over: NotNegativeUm = 6_000
    """a fill may be this much longer than its leg; never at an abutment"""
    closers_per_leg: Annotated[int, Field(ge=0, le=50)] = 3
    make_up: Literal["far", "start", "middle"] = "far"
    """where in a leg closers and cut pieces go"""
    lay_from: Literal["start", "far"] = "start"
    """end of the leg laying begins at"""
    play: NotNegativeUm = 0
    """how far a straight leg may be moved sideways where that saves cuts"""
    slide_at_walls: bool = False
    """legs that end at an abutment may be moved too: their ends slide along its face"""


CornerWay = Literal["unit", "mitre", "bend", "butt"]


def _as_list(value: object) -> object:
    """One way is written as text, several as a list."""
    return [value] if isinstance(value, str) else value


def _each_once(ways: list[CornerWay]) -> list[CornerWay]:
    if not ways:
        raise ValueError("name at least one way: unit, mitre, bend or butt")
    if len(set(ways)) < len(ways):
        raise ValueError("each way is named once")
    return ways


CornerWays = Annotated[list[CornerWay], BeforeValidator(_as_list), AfterValidator(_each_once)]


class CornerSettings(Table):
    """How corners are made."""

    by: CornerWays = ["unit", "mitre", "bend", "butt"]
    """ways in the order they are tried; what the product line cannot is passed over"""


def _probability(value: object) -> object:
    found = re.fullmatch(r"(\d{1,2}(?:\.\d{1,4})?) ?%", value) if isinstance(value, str) else None
    if found and Fraction(found[1]) > 0:
        return Fraction(found[1]) / 100
    raise ValueError('write the probability as text, more than 0 and less than 100 %, such as "95 %"')


Probability = Annotated[
    Fraction, BeforeValidator(_probability), PlainSerializer(lambda v: f"{float(v) * 100:g} %")
]
"""A probability, exact as written."""


class Spares(Table):
    """Pieces ordered beyond the takeoff."""

    suffice: Probability | None = None
    """every code suffices for the whole site with this probability, at least cost: in place of
    ``percent`` and ``least_special``; see ``[uncertainty]``"""
    percent: Annotated[float, Field(ge=0, le=100)] = 3.0
    least_special: Annotated[int, Field(ge=0)] = 1
    """at least this many spare of every closer, corner and end code that is used"""
    count: dict[str, Annotated[int, Field(ge=0, le=1_000_000)]] = {}
    """spares of these codes by count, instead of the percentage"""
    breakage_percent: Annotated[float, Field(ge=0, le=100)] = 0.0
    """pieces expected to break, of every code, apart from the spares"""


def _percent(value: object) -> object:
    if isinstance(value, str) and re.fullmatch(r"\d{1,3}(\.\d{1,6})?", value):
        return Fraction(value)
    raise ValueError('write the percentage as text in decimals, such as "8.25"')


PercentText = Annotated[Fraction, BeforeValidator(_percent), PlainSerializer(lambda v: str(float(v)))]
"""A percentage of money, exact as written."""


class OrderSettings(Table):
    """How the order is packed and paid."""

    packs_per: Literal["site", "phase"] = "site"
    """round up to whole packs for the whole site, or for every phase"""
    broken_packs: bool = False
    """buy single pieces where the product line has a single price and that is cheaper"""
    colours: dict[str, Annotated[int, Field(ge=1, le=1_000_000)]] = {}
    """colour mix in whole parts: ``{grey = 60, sand = 40}``"""
    line_colours: dict[str, dict[str, Annotated[int, Field(ge=1, le=1_000_000)]]] = {}
    """another mix for single product lines, by key"""
    tax_percent: PercentText = Fraction(0)
    returns: bool = False
    """whole packs left over can go back"""
    restocking_percent: PercentText = Fraction(0)
    """kept by the seller of what goes back"""
    cut_plan_seconds: Annotated[int, Field(ge=1, le=86_400)] = 45
    """the cut plan takes the best it has after this time"""


class Phase(Table):
    """One part of the work, with its own delivery."""

    name: str
    """as the attribute ``phase`` of the beds, or ``phase`` of a bed, says it"""
    drop: str = ""
    """where the delivery is put down, in words"""
    drop_lonlat: Annotated[list[float], Field(min_length=2, max_length=2)] | None = None
    """the same as WGS 84 longitude and latitude; gives the carry distance"""

    @field_validator("drop_lonlat")
    @classmethod
    def _on_earth(cls, value: list[float] | None) -> list[float] | None:
        if value is not None and not (abs(value[0]) <= 180 and abs(value[1]) <= 90):
            raise ValueError("must be longitude, then latitude, in degrees")
        return value


class GroundworkSettings(Table):
    """Trench, base, mulch, labour and the like."""

    recipe: str | None = None
    """key of a shipped recipe, or a path to a recipe file; none: no groundwork"""


class BedOverride(Table):
    """What differs for one bed."""

    offset: LengthUm | None = None
    bed_side: Side | None = None
    priority: int | None = None
    """of two beds that share an edge, the one with the higher priority is edged"""
    corners: list[Annotated[int, Field(ge=1)]] = []
    """vertices (numbered from 1 as traced) that are corners whatever the rule says"""
    not_corners: list[Annotated[int, Field(ge=1)]] = []
    start_end: EndName | None = None
    far_end: EndName | None = None
    """ends of an open line"""
    corner_by: CornerWays | None = None
    """how this bed's corners are made"""
    skip: bool = False
    """plan no edging for this bed"""
    phase: str | None = None
    """name of the phase it is built in"""
    line: str | None = None
    """product line of this bed, as ``line`` of the site is written"""
    owner: str | None = None
    """who owns and pays its edging"""


def _on_earth(value: list[float]) -> list[float]:
    if not (abs(value[0]) <= 180 and abs(value[1]) <= 90):
        raise ValueError("must be longitude, then latitude, in degrees")
    return value


LonLat = Annotated[list[float], Field(min_length=2, max_length=2), AfterValidator(_on_earth)]
GridPlace = Annotated[list[float], Field(min_length=2, max_length=2)]


class RunOverride(Table):
    """What differs for one run; a run that is named must be there."""

    skip: bool = False
    """plan no edging for this run"""
    start_leg: Annotated[int, Field(ge=1)] | None = None
    """a closed run begins with the leg of this number"""
    start_lonlat: LonLat | None = None
    """a closed run begins at the corner nearest to this place, without corners at the nearest point"""
    start_grid: GridPlace | None = None
    """the same, easting and northing in the site's grid"""
    pin_lonlat: LonLat | None = None
    """the run passes here within half a metre; else it is another one than was meant"""
    line: str | None = None
    """product line of this run, whatever its bed and row say"""
    phase: str | None = None
    """phase it is built in, whatever its bed says"""
    owner: str | None = None
    """who owns and pays it, whatever its bed says"""

    @model_validator(mode="after")
    def _one_start(self) -> RunOverride:
        given = [n for n in ("start_leg", "start_lonlat", "start_grid") if getattr(self, n) is not None]
        if len(given) > 1:
            raise ValueError(f"{' and '.join(given)} are both given; a run has one start")
        return self


class Row(Table):
    """A further row of edging beside the beds' own, such as a mower strip."""

    offset: LengthUm
    """laying line of the row from the outline, positive away from the bed"""
    beds: Annotated[list[str], Field(min_length=1)] | None = None
    """the beds that have this row; all where not given"""
    line: str | None = None
    """product line of this row; each bed's own where not given"""


class Courses(Table):
    """Courses laid one upon the other."""

    count: Annotated[int, Field(ge=1, le=20)] = 1
    stagger: Literal["half", "none"] = "half"
    """joints of every second course half a section on, or all courses alike"""


class MovementJoints(Table):
    """Joints that let the edging move."""

    every: PositiveUm | None = None
    """legs are split so that no part is longer; not given: they are not split"""
    width: PositiveUm = 10_000
    at_buildings: bool = False
    """abutted ends keep a joint of this width instead of the line's end clearance"""

    @model_validator(mode="after")
    def _wider_apart(self) -> MovementJoints:
        if self.every is not None and self.every <= 2 * self.width:
            raise ValueError("every must be more than two widths")
        return self


class EdgeOwner(Table):
    """Which of two beds is edged where they share an edge."""

    beds: tuple[str, str]
    owner: str

    @model_validator(mode="before")
    @classmethod
    def _pair(cls, data: object) -> object:
        if isinstance(data, dict) and isinstance(data.get("beds"), list):
            data = {**data, "beds": tuple(data["beds"])}
        return data

    @model_validator(mode="after")
    def _owner_is_one(self) -> EdgeOwner:
        if self.owner not in self.beds:
            raise ValueError(f'owner "{self.owner}" is not one of the two beds')
        return self


class SiteSettings(Table):
    """The whole of ``site.toml``."""

    schema_version: Literal[1] = 1
    name: str
    note: str = ""
    line: str
    """key of a shipped product line, or a path to a product line file"""
    length_basis: Literal["ground", "slope"] = "ground"
    slope_by: Literal["follow", "step"] = "follow"
    """edging follows the slope (and takes slope lengths), or steps down it (and takes plan lengths)"""
    inputs: Inputs = Inputs()
    whereabouts: WhereaboutsTable = WhereaboutsTable()
    grid: Grid = Grid()
    show: Show = Show()
    outline: OutlineSettings = OutlineSettings()
    heights: Heights = Heights()
    pictures: Pictures = Pictures()
    fit: Fit = Fit()
    corners: CornerSettings = CornerSettings()
    spares: Spares = Spares()
    order: OrderSettings = OrderSettings()
    phase: list[Phase] = []
    groundwork: GroundworkSettings = GroundworkSettings()
    bed: dict[str, BedOverride] = {}
    run: dict[str, RunOverride] = {}
    courses: Courses = Courses()
    movement_joints: MovementJoints | None = None
    row: list[Row] = []
    """rows beside the beds' own laying line, which is row 1; the first of these is row 2"""
    edge_owner: list[EdgeOwner] = []
    tape: list[TapeRow] = []
    """readings of tapes; more may stand in the file ``reconcile.tapes``"""
    reconcile: Reconcile = Reconcile()
    asbuilt: AsBuiltSettings = AsBuiltSettings()
    """how what was laid is held against the plan"""
    control: list[SurveyedMark] = []
    """marks on the ground whose places are known"""
    stakeout: StakeoutSettings = StakeoutSettings()
    desk: DeskSettings = DeskSettings()
    uncertainty: Uncertainty | None = None
    """what may be off, and by how much; not given: the defaults, used where ``spares.suffice`` is"""

    @model_validator(mode="after")
    def _courses_stay_together(self) -> SiteSettings:
        if self.fit.play and self.courses.count > 1:
            raise ValueError("fit.play moves legs, and courses must stay above each other: leave one out")
        return self

    @model_validator(mode="after")
    def _play_in_plan(self) -> SiteSettings:
        if self.fit.play and self.length_basis == "slope" and self.slope_by == "follow":
            raise ValueError(
                "fit.play moves legs by plan lengths and cannot be used where pieces are fitted to slope "
                'lengths: leave play out, or use length_basis = "ground" or slope_by = "step"'
            )
        return self


def load_settings(path: Path) -> SiteSettings:
    """Settings of a ``site.toml``.

    Raises
    ------
    DataError : not TOML, unknown keys (with the nearest spelling), missing keys, bad values.
    """
    return validated(SiteSettings, read_toml(path), str(path))
