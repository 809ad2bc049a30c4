"""The printer, its settings now in force and the caliper: the content of machine.toml as data.

Reading and writing the file is `fitassay.coupons.machine_file`'s job.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal, get_args

from fitassay.coupons.errors import InputError
from fitassay.coupons.wording import did_you_mean, must_lie, shown

Kinematics = Literal["cartesian", "crossed-belts", "delta"]
"""How motors move the nozzle over the bed: one x and another y; two together, by crossed belts; three arms."""

KINEMATICS: tuple[Kinematics, ...] = get_args(Kinematics)

HoleSetting = Literal["", "growing", "constant"]
"""What a slicer does with its round hole compensation: not told; more to smaller holes; as much to all."""

HOLE_SETTINGS: tuple[HoleSetting, ...] = get_args(HoleSetting)


@dataclass(frozen=True, kw_only=True)
class Figure:
    """One number of machine.toml: where it stands, its default, its range, what it is.

    The same table drives the prompts of ``init``, its options, the checks, the comments in the file, and what a
    setting is called wherever it is spoken of.

    Attributes
    ----------
    section, name : str
    default, low, high : float
    unit : str
    noun : str
        What it is.
    detail : str
        Of what it is taken, such as per side; may be empty.
    sign : str
        What a positive value does; may be empty.
    """

    section: str
    name: str
    default: float
    low: float
    high: float
    unit: str
    noun: str
    detail: str = ""
    sign: str = ""

    @property
    def key(self) -> str:
        """``"section.name"``."""
        return f"{self.section}.{self.name}"

    @property
    def label(self) -> str:
        """What it is called."""
        return ", ".join(part for part in (self.noun, self.detail) if part)

    @property
    def text(self) -> str:
        """All that is said of it where its value is asked for."""
        now = f"{self.noun} set now" if self.section == "settings" else self.noun
        meaning = ", ".join(part for part in (now, self.detail) if part)
        return f"{meaning}; {self.sign}" if self.sign else meaning


# One line each; detail and sign may be left out.
_COLUMNS = ("section", "name", "default", "low", "high", "unit", "noun", "detail", "sign")
_ROWS: tuple[tuple[Any, ...], ...] = (
    ("volume", "x_mm", 100.0, 20.0, 2000.0, "mm", "build volume, left to right"),
    ("volume", "y_mm", 100.0, 20.0, 2000.0, "mm", "build volume, front to back"),
    ("volume", "z_mm", 100.0, 5.0, 2000.0, "mm", "build volume, height"),
    ("process", "nozzle_mm", 0.4, 0.1, 1.5, "mm", "nozzle bore"),
    ("process", "line_width_mm", 0.45, 0.1, 2.0, "mm", "bead width, as set in the slicer"),
    ("process", "layer_height_mm", 0.2, 0.04, 1.0, "mm", "layer height"),
    ("process", "walls", 3.0, 1.0, 30.0, "", "walls, as set in the slicer; those of your joints' parts"),
    ("process", "filling_percent", 15.0, 0.0, 100.0, "%", "filling, as set in the slicer"),
    ("process", "speed_mm_s", 30.0, 1.0, 1000.0, "mm/s", "usual print speed, for the time estimate"),
    (
        "process",
        "usual_hole_mm",
        8.0,
        1.0,
        300.0,
        "mm",
        "round hole for which a constant hole compensation is chosen",
    ),
    ("process", "density_g_cm3", 1.24, 0.5, 3.0, "g/cm3", "density of the plastic (1.24: PLA)"),
    ("settings", "filament_diameter_mm", 1.75, 1.0, 4.0, "mm", "filament diameter"),
    ("settings", "flow_percent", 100.0, 20.0, 300.0, "%", "flow"),
    ("settings", "steps_per_mm_x", 80.0, 0.5, 100000.0, "steps/mm", "steps per mm of x"),
    ("settings", "steps_per_mm_y", 80.0, 0.5, 100000.0, "steps/mm", "steps per mm of y"),
    ("settings", "steps_per_mm_z", 400.0, 0.5, 100000.0, "steps/mm", "steps per mm of z"),
    ("settings", "backlash_x_mm", 0.0, -2.0, 2.0, "mm", "backlash compensation of x"),
    ("settings", "backlash_y_mm", 0.0, -2.0, 2.0, "mm", "backlash compensation of y"),
    (
        "settings",
        "contour_mm",
        0.0,
        -2.0,
        2.0,
        "mm",
        "horizontal size compensation",
        "per side",
        "positive makes the part larger",
    ),
    (
        "settings",
        "hole_mm",
        0.0,
        -2.0,
        2.0,
        "mm",
        "round hole compensation",
        "on the diameter of a 3 mm hole",
        "positive makes holes larger",
    ),
    (
        "settings",
        "hole_constant_mm",
        0.0,
        -2.0,
        2.0,
        "mm",
        "constant hole compensation",
        "on the diameter of every round hole",
        "positive makes holes larger",
    ),
    (
        "settings",
        "first_layer_mm",
        0.0,
        -2.0,
        2.0,
        "mm",
        "first-layer compensation",
        "per side",
        "positive makes the first layer larger",
    ),
    (
        "settings",
        "skew_deg",
        0.0,
        -5.0,
        5.0,
        "degree",
        "skew correction",
        "",
        "positive leans the y axis towards +x",
    ),
    ("settings", "bed_gap_mm", 0.0, -5.0, 5.0, "mm", "nozzle-to-bed offset", "", "positive is higher"),
    ("caliper", "resolution_mm", 0.01, 0.0001, 0.5, "mm", "smallest step of the caliper"),
    (
        "caliper",
        "repeatability_mm",
        0.02,
        0.0005,
        0.5,
        "mm",
        "standard deviation of one reading on printed plastic, same place, same hand",
    ),
    ("caliper", "error_limit_mm", 0.02, 0.0, 0.5, "mm", "error limit of the outside jaws, plus or minus"),
    (
        "caliper",
        "inside_error_limit_mm",
        0.04,
        0.0,
        0.5,
        "mm",
        "error limit of the inside jaws, plus or minus",
    ),
    ("caliper", "range_mm", 150.0, 20.0, 2000.0, "mm", "longest size the caliper takes"),
    ("caliper", "jaw_flat_mm", 0.3, 0.0, 2.0, "mm", "flat on the inside jaws' edges"),
    ("scale", "step_g", 0.01, 0.0001, 5.0, "g", "smallest step of the scale"),
    ("scale", "linearity_g", 0.01, 0.0, 20.0, "g", "linearity of the scale, plus or minus"),
)
FIGURES: tuple[Figure, ...] = tuple(Figure(**dict(zip(_COLUMNS, row, strict=False))) for row in _ROWS)


def figure(key: str) -> Figure:
    """The row of the table for ``"section.name"``; KeyError if there is none."""
    return _BY_KEY[key]


_BY_KEY = {f.key: f for f in FIGURES}

_FIRMWARE = "firmware, menu or configuration"
_SOME_FIRMWARE = "firmware, where it has it"

# Where a setting is usually found; no two slicers or firmwares call it the same.
SETTING_PLACES: dict[str, str] = {
    "settings.filament_diameter_mm": "slicer, with the filament",
    "settings.flow_percent": "slicer, filament; some write 100 % as 1",
    **{f"settings.steps_per_mm_{axis}": _FIRMWARE for axis in "xyz"},
    **{f"settings.backlash_{axis}_mm": _SOME_FIRMWARE for axis in "xy"},
    "settings.contour_mm": "slicer, with the walls; mind per side or in all",
    "settings.hole_mm": "slicer, with the walls, where it has it",
    "settings.hole_constant_mm": "slicer, with the walls, where it has it",
    "settings.first_layer_mm": "slicer, first layer; some count it inwards",
    "settings.skew_deg": _SOME_FIRMWARE,
    "settings.bed_gap_mm": _FIRMWARE,
}


@dataclass(frozen=True, kw_only=True)
class Machine:
    """A printer with its settings and the caliper at hand.

    Attributes
    ----------
    name : str
        What the user calls it; any text.
    material : str
        What is printed, e.g. ``PLA``; any text.
    soft : bool
        True for flexible plastics, which give under the jaws.
    kinematics : Kinematics
    hole_setting : HoleSetting
    values : dict of str to float
        Every figure of `FIGURES` as ``"section.name"``.
    priors : dict of str to float
        Prior standard deviations that replace the table's, by error term.
    model_error : dict of str to float
        Widths that replace those of the budget for what printers do beside the error terms, by its rows.
    """

    name: str = "printer"
    material: str = "PLA"
    soft: bool = False
    kinematics: Kinematics = "cartesian"
    hole_setting: HoleSetting = ""
    values: dict[str, float] = field(default_factory=dict)
    priors: dict[str, float] = field(default_factory=dict)
    model_error: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        check_kinematics(self.kinematics)
        check_hole_setting(self.hole_setting)
        full = {f.key: f.default for f in FIGURES}
        for key, value in self.values.items():
            if key not in full:
                raise InputError(f"no figure is called {key}", "machine")
            full[key] = float(value)
        object.__setattr__(self, "values", full)
        for f in FIGURES:
            check_figure(f, full[f.key], f.key)
        width, height = full["process.line_width_mm"], full["process.layer_height_mm"]
        if width <= height:
            raise InputError(
                f"the bead must be wider than the layer is high (got {width:g} wide, {height:g} high)",
                "process.line_width_mm",
            )

    def __getitem__(self, key: str) -> float:
        return self.values[key]

    @property
    def volume_mm(self) -> tuple[float, float, float]:
        """Build volume [mm]."""
        return self["volume.x_mm"], self["volume.y_mm"], self["volume.z_mm"]

    @property
    def line_width_mm(self) -> float:
        """Commanded bead width w [mm]."""
        return self["process.line_width_mm"]

    @property
    def layer_height_mm(self) -> float:
        """Layer height h [mm]."""
        return self["process.layer_height_mm"]


def check_kinematics(name: str, place: str = "kinematics") -> None:
    """Raise `InputError` unless `name` is one of `KINEMATICS`."""
    if name not in KINEMATICS:
        near = did_you_mean(name, KINEMATICS)
        raise InputError(
            f"must be {', '.join(KINEMATICS[:-1])} or {KINEMATICS[-1]} (got {shown(name)}){near}", place
        )


def check_hole_setting(name: str, place: str = "hole_setting") -> None:
    """Raise `InputError` unless `name` is one of `HOLE_SETTINGS`."""
    if name not in HOLE_SETTINGS:
        near = did_you_mean(name, HOLE_SETTINGS)
        raise InputError(f"must be constant, growing or empty (got {shown(name)}){near}", place)


def check_figure(figure: Figure, value: float, place: str) -> None:
    """Raise `InputError` unless `value` is a number in the figure's range."""
    if not (figure.low <= value <= figure.high):  # NaN fails too
        raise InputError(
            f"{figure.text}: {must_lie(figure.low, figure.high, figure.unit)} (got {value:g})",
            place,
        )
