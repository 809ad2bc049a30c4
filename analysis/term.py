"""What an error term is: the columns of the table, and the totals of all terms that a toolpath walk reads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from fitassay.analysis.controls import Control
from fitassay.coupons.machine import KINEMATICS, Kinematics

TermKind = Literal["printer", "surface", "instrument", "form"]

Quantity = Literal[
    "contour",
    "flare",
    "closure",
    "bead",
    "surface",
    "scale x",
    "scale y",
    "scale z",
    "scale xy",
    "play x",
    "play y",
    "belt a",
    "belt b",
    "shear",
    "datum",
]


class Errors:
    """Values of all terms for n printers at once, summed by what they act on.

    Attributes
    ----------
    contour, flare, closure, bead, surface : ndarray (n,) [mm]
        Outward shift per side; the same for the lowest layers only; loss on a 3 mm bore's diameter; bead
        excess; by how much the layers that jaws and mating parts rest on stand out, both sides together.
    scale : ndarray (n, 3)
        Fractions for x, y, z.
    play : ndarray (n, 2) [mm]
        Total play of x and y.
    belt : ndarray (n, 2) [mm]
        Total play of two crossed belts, as belt: a runs by x + y, b by x - y.
    shear : ndarray (n,) [rad]
        x gained per y.
    datum : ndarray (n,) [mm]
        Added to every height.
    added : dict of str to ndarray (n,) [mm]
        Added to readings of one feature kind.
    jumps : bool
        Play below zero, a compensation set too high, jumps at the reversal; else it mirrors the play.
    """

    def __init__(self, n: int) -> None:
        self.n = n
        self.contour = np.zeros(n)
        self.flare = np.zeros(n)
        self.closure = np.zeros(n)
        self.bead = np.zeros(n)
        self.surface = np.zeros(n)
        self.scale = np.zeros((n, 3))
        self.play = np.zeros((n, 2))
        self.belt = np.zeros((n, 2))
        self.shear = np.zeros(n)
        self.datum = np.zeros(n)
        self.added: dict[str, np.ndarray] = {}
        self.jumps = False

    def add(self, term: Term, value: np.ndarray) -> None:
        """Add a term of `value` (n,)."""
        for total in self._totals(term.quantity) if term.quantity else ():
            total += value
        for kind in term.reads:
            self.added[kind] = self.added.get(kind, np.zeros(self.n)) + value

    @property
    def swept(self) -> np.ndarray:
        """By how much the bead as jaws and mating parts feel it is wider than commanded, ndarray (n,) [mm]."""
        return self.bead + self.surface

    def _totals(self, name: Quantity) -> list[np.ndarray]:
        """The arrays (n,) of that quantity, one for each of its axes, to be added to in place."""
        field, _, axes = name.partition(" ")
        total: np.ndarray = getattr(self, field)
        order = "ab" if field == "belt" else "xyz"
        return [total[:, order.index(axis)] for axis in axes] if axes else [total]


@dataclass(frozen=True)
class Varies:
    """How much a term goes with something that differs between prints, one standard deviation [unit of the term].

    Attributes
    ----------
    factor : str
        A name of `prints.mixed_model.FACTORS`.
    own : float
        By itself.
    alike : float
        Together with, and by as much as, the factor's other terms that vary alike.
    """

    factor: str
    own: float
    alike: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Term:
    """One error term: a row of the table.

    Attributes
    ----------
    name, symbol, unit : str
        As in diagnosis.json; the unit is ``mm``, ``rad`` or ``1`` (a fraction).
    kind : {"printer", "surface", "instrument", "form"}
        Only printer terms can be accused; ``surface`` terms shape what a part is felt by, as printer terms do, and
        act so much like one of them that readings hardly tell the two apart; ``instrument`` terms belong to the
        caliper, ``form`` terms absorb what the model does not claim to know.
    quantity : str
        What of `Errors` it adds to; empty: nothing of the print.
    reads : tuple of str
        Feature kinds whose readings it adds to.
    prior_sd : float [unit]
        Standard deviation of the normal prior; zero: from the error limit under `prior_limit`.
    prior_mean : float [unit]
        Of the prior; not zero only for what every printer has some of.
    worst : float [unit]
        Of a ``surface`` term, the most that is usual: what it looks like is accused only if it is loud even then.
    prior_limit : str
        Figure of machine.toml with an error limit +-a; the prior is rectangular, a / sqrt(3) (GUM 4.3.7).
    prior_reason : str
        Why that wide.
    drift_sd : float [unit]
        How much it changes by itself from one print to the next (common practice, no source).
    varies : tuple of Varies
        What it goes with.
    label : str
        In words, for sentences ("backlash in y").
    cause : str
        Typical cause.
    sentence : str
        What it does to a part.
    control : Control or None
        The setting that removes it; None where a hand must.
    work : str
        What a hand sets right where no setting removes the error, as ``tension of belt a``.
    remedy : str
        How it does, an order without its full stop.
    meanwhile : str
        What about parts until then, likewise.
    kinematics : tuple of Kinematics
        Machines that have it; on others it is zero for certain.
    withheld : tuple of Kinematics
        Machines that err alike, but not in a way that x and y tell of: there it is estimated, so that it passes for
        no other error, and neither told nor accused.
    change_rank : int
        Changes are advised in this order; equal ranks in the order of the table.
    least_change : float [unit]
        A smaller error is not worth a change of its setting (common practice, no source).
    remedy_rank : int
        Of terms that act alike, the setting of the lowest is changed.
    judged_on : {"sizes", "squareness", "foot"}
        The sort of reference feature whose fit it spoils; ``sizes``: all ordinary sizes.
    step : float [unit]
        Step for numeric derivatives; for play more than a jaw's flat hides in a small bore.
    example : float [unit]
        A strong but ordinary amount, as the guide draws it.
    seen_from : {"above", "side"}
        How the guide draws it.
    """

    name: str
    symbol: str
    unit: Literal["mm", "rad", "1"]
    kind: TermKind
    label: str
    cause: str
    sentence: str
    prior_reason: str
    prior_sd: float = 0.0
    prior_mean: float = 0.0
    worst: float = 0.0
    prior_limit: str = ""
    quantity: Quantity | Literal[""] = ""
    reads: tuple[str, ...] = ()
    drift_sd: float = 0.0
    varies: tuple[Varies, ...] = ()
    control: Control | None = None
    work: str = ""
    remedy: str = ""
    meanwhile: str = ""
    kinematics: tuple[Kinematics, ...] = KINEMATICS
    withheld: tuple[Kinematics, ...] = ()
    change_rank: int = 0
    least_change: float = 0.0
    remedy_rank: int = 0
    judged_on: Literal["sizes", "squareness", "foot"] = "sizes"
    step: float
    example: float = 0.0
    seen_from: Literal["above", "side"] = "above"

    def __post_init__(self) -> None:
        if not self.quantity and not self.reads:
            raise ValueError(f"{self.name} acts on nothing; give a quantity or feature kinds that read it")
        if (self.prior_sd > 0) == bool(self.prior_limit):
            raise ValueError(f"{self.name} needs a prior_sd or a prior_limit, one of them")
        if self.kind == "printer" and (
            not (self.control or (self.work and self.remedy)) or self.example == 0
        ):
            raise ValueError(f"{self.name} can be accused, so it needs a control or a remedy, and an example")

    @property
    def setting(self) -> str:
        """The figure of machine.toml that removes it, or the work that does; empty where there is none."""
        return self.control.key if self.control else self.work
