"""What ``site.toml`` says about tapes: readings, the tapes themselves, how tapes are judged.

Every default says where it comes from; those without a published source are marked assumed.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from siteplan.tomlfile import LengthUm, Table, not_negative, positive

PositiveUm = Annotated[LengthUm, AfterValidator(positive)]
NotNegativeUm = Annotated[LengthUm, AfterValidator(not_negative)]
TapeKind = Literal["steel", "fibreglass", "wheel", "string"]
"""steel tape; glass-fibre tape; measuring wheel; string laid on a curve, then pulled straight and taped"""


class TapeRow(Table):
    """One reading, as the columns of a tape file have it (see docs/reconcile.md); all text."""

    id: str = ""
    of: str = ""
    from_: Annotated[str, Field(alias="from")] = ""
    to: str = ""
    reading: str = ""
    also: str = ""
    tape: str = ""
    kind: str = ""
    basis: str = ""
    rise: str = ""
    grade: str = ""
    temperature: str = ""
    pull: str = ""
    support: str = ""
    who: str = ""
    when: str = ""
    note: str = ""


class KindSettings(Table):
    """How good one kind of tape is.  The standard deviation of a reading is a + b x length."""

    fixed: PositiveUm
    """a: setting the ends, reading"""
    per_length_ppm: Annotated[float, Field(ge=0, le=100_000)]
    """b: alignment, pull, what grows with the length"""
    scale_ppm: Annotated[float, Field(ge=0, le=100_000)]
    """standard deviation of one tape's own scale, common to all its readings"""


def default_kinds() -> dict[TapeKind, KindSettings]:
    """Defaults, all of them assumed for edging work; docs/reconcile.md says what stands behind each."""
    rows: dict[TapeKind, tuple[int, float, float]] = {
        "steel": (5_000, 100.0, 200.0),
        "fibreglass": (8_000, 300.0, 600.0),
        "wheel": (50_000, 2_000.0, 5_000.0),
        "string": (25_000, 1_000.0, 1_000.0),
    }
    return {
        k: KindSettings.model_construct(fixed=a, per_length_ppm=b, scale_ppm=s)
        for k, (a, b, s) in rows.items()
    }


class TapeFacts(Table):
    """One tape, as it was compared with a standard.  Pull, weight, area and modulus: steel only."""

    kind: TapeKind
    length: PositiveUm | None = None
    """what it says it is: ``100 ft``"""
    true_length: PositiveUm | None = None
    """what it is, under the standard conditions: ``100.02 ft``"""
    standard_temperature_c: Annotated[float, Field(ge=-60, le=80)] = 20.0
    standard_pull_n: Annotated[float, Field(gt=0, le=1_000)] | None = None
    weight_n_per_m: Annotated[float, Field(gt=0, le=50)] | None = None
    area_mm2: Annotated[float, Field(gt=0, le=100)] | None = None
    modulus_gpa: Annotated[float, Field(gt=0, le=1_000)] = 200.0
    expansion_per_c: Annotated[float, Field(ge=0, le=1e-3)] = 1.161e-5
    scale_ppm: Annotated[float, Field(ge=0, le=100_000)] | None = None
    """in place of the kind's, for a tape that was compared"""

    @model_validator(mode="after")
    def _together(self) -> TapeFacts:
        if (self.true_length is None) != (self.length is None) and self.true_length is not None:
            raise ValueError("true_length needs length beside it")
        if self.kind != "steel" and (self.standard_pull_n or self.weight_n_per_m or self.area_mm2):
            raise ValueError("pull, weight and area are for steel tapes")
        return self


class Priors(Table):
    """How often each cause happens, before looking at the readings.  No probability is shown without."""

    source: Annotated[str, Field(min_length=1)]
    """where the numbers come from, or ``judgement of ...``"""
    causes: dict[str, Annotated[float, Field(gt=0, lt=1)]]
    """cause to probability: per reading, per tape, per leg or for the whole map, as the cause is"""


class AdjustSettings(Table):
    """How the outlines are adjusted to the tapes."""

    picture_scale_ppm: Annotated[float, Field(ge=0, le=100_000)] = 300.0
    """standard deviation of the scale all outlines of one picture have in common (assumed)"""
    picture_shift: PositiveUm = 2_500_000
    """standard deviation of where a picture lies, each way, before any point was surveyed: 6 m at 95 %, which
    the U.S. Department of Agriculture asked of its aerial photographs (NAIP, 2010); assumed of any other"""
    picture_turn_deg: Annotated[float, Field(gt=0, le=45)] = 0.2
    """standard deviation of its direction, likewise (assumed)"""
    alpha: Annotated[float, Field(gt=0, lt=0.5)] = 0.001
    """chance that a test names an observation with nothing wrong; each test by itself"""
    power: Annotated[float, Field(gt=0.5, lt=1)] = 0.80
    """chance to find a blunder of the size that is called least detectable"""
    ellipse: Annotated[float, Field(gt=0, lt=1)] = 0.95
    """chance that the true vertex lies within the ellipse that is drawn"""
    used: list[str] = []
    """readings that are in the outlines already; the record keeps this, nobody writes it by hand"""


class Reconcile(Table):
    """How tapes are compared with the map, and when a cause is named."""

    tapes: str | None = None
    """file of readings, path relative to the folder of ``site.toml``"""
    vertex_sigma: PositiveUm | None = None
    """standard deviation of a traced vertex, each way; else ``outline.tracing_sigma``, that of
    ``[uncertainty]``, the pictures', and at last ``assumed_vertex_sigma``"""
    assumed_vertex_sigma: PositiveUm = 50_000
    """assumed, for outlines nobody said anything about"""
    false_alarm: Annotated[float, Field(gt=0, lt=0.5)] = 0.05
    """greatest chance that anything at all is named on a set with nothing wrong"""
    clear_ratio: Annotated[float, Field(gt=1, le=1e9)] = 10.0
    """a cause is told apart from the next one when it explains the readings this many times better"""
    stretch_ppm: Annotated[float, Field(gt=0, le=100_000)] = 3_000.0
    """usual size of the scale error of a stretched or mended tape (assumed)"""
    map_scale_ppm: Annotated[float, Field(gt=0, le=1e6)] = 10_000.0
    """usual size of a scale error of the picture or drawing (assumed)"""
    grade_percent: Annotated[float, Field(gt=0, le=100)] = 10.0
    """usual grade where lengths along a slope were taken for level ones (assumed)"""
    face_offset: PositiveUm | None = None
    """usual distance between the faces of the edging; the product line's depth by default"""
    unknown_error: PositiveUm = 2_000_000
    """usual size of a mistake of no known cause (assumed)"""
    tape_lengths: list[PositiveUm] = [7_620_000, 15_240_000, 30_480_000, 20_000_000, 30_000_000, 50_000_000]
    """lengths of tape that get dropped, 25, 50, 100 ft, 20, 30, 50 m: common practice, no published source"""
    hooks: list[PositiveUm] = [76_200, 101_600, 152_400, 100_000]
    """how far the zero may be from the end that was held: 3, 4, 6 in, 100 mm (assumed)"""
    kind: dict[TapeKind, KindSettings] = Field(default_factory=default_kinds)
    tape: dict[str, TapeFacts] = {}
    priors: Priors | None = None
    adjust: AdjustSettings = AdjustSettings()

    @model_validator(mode="before")
    @classmethod
    def _all_kinds(cls, data: object) -> object:
        """Kinds that are not mentioned keep their defaults."""
        if isinstance(data, dict) and isinstance(data.get("kind"), dict):
            return {**data, "kind": {**default_kinds(), **data["kind"]}}
        return data
