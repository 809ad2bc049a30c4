"""How a setting of the printer acts on the error that it removes: the new value, and the error after a change."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitassay.coupons.cost import bead_area
from fitassay.coupons.machine import Machine

BORE_REFERENCE_MM = 3.0
"""Bore diameter at which `bore_closure` is stated [mm]."""


@dataclass(frozen=True)
class Control:
    """A figure of machine.toml that adds to an error.

        error' = error + effect (new - old)          value that removes it = old - error / effect

    Attributes
    ----------
    key : str
        The figure, ``"settings.name"``.
    effect : float
        What one unit of the setting adds to the error; -1 for a compensation that takes away as much as it says.
    """

    key: str
    effect: float = 1.0

    @property
    def keys(self) -> tuple[str, ...]:
        """All figures that act on the error; `key` first."""
        return (self.key,)

    @property
    def set_together(self) -> tuple[Control, ...]:
        """Itself, and those of further figures that have to be changed with it."""
        return (self,)

    def chosen(self, machine: Machine) -> tuple[Control, ...]:
        """Those to be changed on this machine; `set_together` unless machines differ."""
        return self.set_together

    def removing(self, error: float, machine: Machine) -> float:
        """The setting that removes `error` from what `machine` prints."""
        return machine[self.key] - error / self.effect

    def error_after(self, error: np.ndarray, old: Machine, new: Machine) -> np.ndarray:
        """The error with the settings of `new` in force, if it was `error` under those of `old`."""
        return error + self.effect * (new[self.key] - old[self.key])


@dataclass(frozen=True)
class Steps(Control):
    """Steps per mm, which multiply a size: (1 + error') / (1 + error) = new / old."""

    def removing(self, error: float, machine: Machine) -> float:
        """The steps per mm that remove a fraction `error`."""
        return machine[self.key] / (1 + error)

    def error_after(self, error: np.ndarray, old: Machine, new: Machine) -> np.ndarray:
        """The fraction with the settings of `new` in force."""
        return (1 + error) * new[self.key] / old[self.key] - 1


@dataclass(frozen=True)
class BeltSteps(Steps):
    """Steps per mm of two motors that move both axes together: they are set alike, or squares become diamonds.

    What both do on average is the scale; what they differ by acts as a lean does.
    """

    other: str = "settings.steps_per_mm_y"

    @property
    def keys(self) -> tuple[str, ...]:
        """Of both motors."""
        return (self.key, self.other)

    @property
    def set_together(self) -> tuple[Control, ...]:
        """Of one motor, and of the other."""
        return (self, replace(self, key=self.other, other=self.key))

    def error_after(self, error: np.ndarray, old: Machine, new: Machine) -> np.ndarray:
        """The fraction with the settings of `new` in force."""
        return (1 + error) * (new[self.key] / old[self.key] + new[self.other] / old[self.other]) / 2 - 1


@dataclass(frozen=True)
class Flow(Control):
    """Flow, which multiplies the bead's cross-section together with the filament's diameter set.

    Plastic per length of path goes with flow / diameter^2. The section is linear in the width,
    A = (w - h) h + pi h^2 / 4, so that A / h gives the width back.
    """

    diameter: str = "settings.filament_diameter_mm"

    @property
    def keys(self) -> tuple[str, ...]:
        """Flow and the filament's diameter."""
        return (self.key, self.diameter)

    def removing(self, error: float, machine: Machine) -> float:
        """The flow that brings a bead wider by `error` [mm] back to its width."""
        w, h = machine.line_width_mm, machine.layer_height_mm
        return machine[self.key] * bead_area(w, h) / bead_area(w + error, h)

    def error_after(self, error: np.ndarray, old: Machine, new: Machine) -> np.ndarray:
        """The bead's excess [mm] with the settings of `new` in force."""
        area = bead_area(old.line_width_mm, old.layer_height_mm) / old.layer_height_mm
        feed = new[self.key] / old[self.key] * (old[self.diameter] / new[self.diameter]) ** 2
        return (area + error) * feed - area


@dataclass(frozen=True)
class Holes(Control):
    """Compensation of round holes: one that grows as they get smaller, 3 mm / D, and one constant c for all.

    The first is `key` and acts as the closing k does. The second is chosen for holes of one diameter U and takes
    c U / 3 mm off k there; what it does to others besides is in `ConstantHoles`.
    """

    constant: str = "settings.hole_constant_mm"
    usual: str = "process.usual_hole_mm"

    @property
    def keys(self) -> tuple[str, ...]:
        """Both settings, and the diameter that the constant one is chosen for."""
        return (self.key, self.constant, self.usual)

    def chosen(self, machine: Machine) -> tuple[Control, ...]:
        """The one that the slicer has; the growing one where that is not known."""
        if machine.hole_setting != "constant" and not machine[self.constant]:
            return (self,)
        return (replace(self, key=self.constant, effect=-machine[self.usual] / BORE_REFERENCE_MM),)

    def error_after(self, error: np.ndarray, old: Machine, new: Machine) -> np.ndarray:
        """The closing that is left with the settings of `new` in force."""
        before, after = (
            m["settings.hole_mm"] + m[self.constant] * m[self.usual] / BORE_REFERENCE_MM for m in (old, new)
        )
        return error - (after - before)


@dataclass(frozen=True)
class ConstantHoles:
    """A hole compensation that is one constant for all round holes.

    The closing that is left, k - c U / 3 mm for the usual hole U, is taken to act as k 3 mm / D: c (1 - U / D) is not
    in it.

    Attributes
    ----------
    constant_mm : float [mm]
        c, on the diameter.
    usual_mm : float [mm]
        U, the diameter that it is chosen for.
    """

    constant_mm: float = 0.0
    usual_mm: float = BORE_REFERENCE_MM

    @classmethod
    def of(cls, machine: Machine) -> ConstantHoles:
        """That which `machine` has set."""
        return cls(machine["settings.hole_constant_mm"], machine["process.usual_hole_mm"])

    def surplus(self, diameter: float | np.ndarray) -> float | np.ndarray:
        """By how much it opens holes of that diameter beyond what the closing left tells of [mm]."""
        return self.constant_mm * (1 - self.usual_mm / diameter)


NO_CONSTANT = ConstantHoles()


@dataclass(frozen=True)
class Lean(Control):
    """Skew correction against x gained per y.

    Where two motors move both axes together, steps per mm of a larger by a fraction than those of b lean squares by
    that fraction too: x and y each gain half of it per mm of the other, which differs from a lean by a turn only.
    """

    motors: tuple[str, str] = ("settings.steps_per_mm_x", "settings.steps_per_mm_y")

    def error_after(self, error: np.ndarray, old: Machine, new: Machine) -> np.ndarray:
        """The lean [rad] with the settings of `new` in force."""
        left = super().error_after(error, old, new)
        if new.kinematics == "crossed-belts":
            a, b = (new[key] / old[key] for key in self.motors)
            left = left + (a - b)
        return left
