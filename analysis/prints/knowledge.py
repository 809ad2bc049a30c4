"""What a case knows: one posterior handed on from print to print, settings changed and usual drift between them.

    prior of print 1 = the table of priors
    prior of print i = posterior of print i - 1, carried (`prints.transfer.carry`)

A print of a single coupon so adds to what is known and forgets nothing. Each fact counts once: those that several
prints share, such as a measured spool, are the caller's to give to one of them alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from fitassay.analysis.estimation.known import Scattered, TransferredPrior
from fitassay.analysis.normal import Normal
from fitassay.analysis.prints.mixed_model import PrintResult
from fitassay.analysis.prints.transfer import carry
from fitassay.coupons.machine import Machine


@dataclass(frozen=True, kw_only=True)
class Learned:
    """What the readings of one print say.

    Attributes
    ----------
    posterior : Normal
    jumps : float or None
        As `TransferredPrior` has it, with what was known before.
    agrees : bool
        False where what was known before contradicts the readings and was left out.
    scattered : Scattered
        With what earlier prints did.
    """

    posterior: Normal
    jumps: float | None = None
    agrees: bool = True
    scattered: Scattered = Scattered()


@dataclass(frozen=True, kw_only=True)
class ReadPrint:
    """A print that has been read.

    Attributes
    ----------
    name : str
    machine : Machine
        As set when it was printed.
    prior_sd : ndarray (terms,)
        The table's.
    estimate : callable
        What it says, given what was known before (None: the table of priors).
    own_path : bool
        True where a path of our own drew it.
    """

    name: str
    machine: Machine
    prior_sd: np.ndarray
    estimate: Callable[[TransferredPrior | None], Learned]
    own_path: bool = False


def known_before(
    earlier: Iterable[ReadPrint], now: Machine, own_path: bool = False
) -> TransferredPrior | None:
    """What earlier prints, oldest first, left known for one made with `now`'s settings; None without any."""
    newest: PrintResult | None = None
    for read in earlier:
        before = carry(newest, read.machine, read.own_path) if newest is not None else None
        learned = read.estimate(before)
        newest = PrintResult(
            name=read.name,
            posterior=learned.posterior,
            prior_sd=read.prior_sd,
            machine=read.machine,
            own_path=read.own_path,
            jumps=learned.jumps,
            as_read=before.as_read if before is not None and learned.agrees else (),
            scattered=learned.scattered,
        )
    return carry(newest, now, own_path) if newest is not None else None
