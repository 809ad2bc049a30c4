"""One print's readings as a whole: repeats sorted, rows gathered, the terms estimated, trials by hand added."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitassay.analysis.chain.sensitivities import SetWalk
from fitassay.analysis.estimation.by_eye import eye_facts
from fitassay.analysis.estimation.fit import Fit, fit, with_more_facts
from fitassay.analysis.estimation.known import Known
from fitassay.analysis.estimation.manner import NOT_TOLD, chance_of_jumps, mixed, over_compensated, which
from fitassay.analysis.estimation.model_error import ModelError, model_error
from fitassay.analysis.estimation.observations import gather, single_reading_sd
from fitassay.analysis.estimation.outlier_causes import name_outliers
from fitassay.analysis.estimation.outliers import slip_limit
from fitassay.analysis.estimation.priors import prior
from fitassay.analysis.estimation.repeats import settle_torn, sort_repeats
from fitassay.analysis.estimation.trials import trial_facts
from fitassay.analysis.notes import Note
from fitassay.analysis.readings.reading import Reading, measured_only
from fitassay.analysis.result import Suspect
from fitassay.coupons.machine import Machine


@dataclass(frozen=True, kw_only=True)
class Readout:
    """What one print's readings say of the error terms.

    Attributes
    ----------
    readings : tuple of Reading
        Without repeats that contradict the others of their feature.
    fit : Fit
        With what was tried by hand.
    suspects : tuple of Suspect
    trial_notes : tuple of Note
        Sentences where hand and caliper do not tell the same.
    jumps : float or None
        Where a backlash compensation is set too high, how likely it jumps at the reversal rather than mirrors the
        play, by round holes that were read, in earlier prints too; None where none is.
    """

    readings: tuple[Reading, ...]
    fit: Fit
    suspects: tuple[Suspect, ...]
    trial_notes: tuple[Note, ...]
    jumps: float | None = None


def read_out(
    walk: SetWalk,
    readings: tuple[Reading, ...],
    machine: Machine,
    known: Known | None = None,
    budget: ModelError | None = None,
) -> Readout:
    """Estimate the error terms from readings, trials and what is known beside them; budget as in `fit`.

    Where a backlash compensation is set too high both manners of what that does to round holes are estimated: the one
    that the bores fit counts, or both by their chances where they tell neither.

    Raises
    ------
    InputError
        No reading at all, and nothing else that is known or was tried.
    """
    mirrors = _along(walk, readings, machine, known, budget)
    found = mirrors.fit.posterior
    if not over_compensated(found.mean, found.sd).any():
        return mirrors
    before = known.transferred.jumps if known is not None and known.transferred is not None else None
    before = NOT_TOLD if before is None else before
    if not any(walk.round):
        return replace(mirrors, jumps=before)
    jumps = _along(walk.jumping(), readings, machine, known, budget)
    p = chance_of_jumps(mirrors.fit, jumps.fit, walk, before)
    likelier = jumps if p > 1 / 2 else mirrors
    if which(p) is not None:
        return replace(likelier, jumps=p)
    both = mixed(found, jumps.fit.posterior, p)
    return replace(likelier, fit=replace(likelier.fit, posterior=both), jumps=p)


def _along(
    walk: SetWalk,
    readings: tuple[Reading, ...],
    machine: Machine,
    known: Known | None,
    budget: ModelError | None,
) -> Readout:
    """`read_out` of printers as `walk` has them."""
    readings = measured_only(readings)
    table = prior(machine)
    budget = model_error(walk, machine) if budget is None else budget
    single = single_reading_sd(machine)
    repeats = sort_repeats(readings, single)
    # Of features whose two repeats disagree the others decide which counts.
    agreeing = tuple(r for r in repeats.kept if (r.coupon, r.feature) not in repeats.torn)
    kept, suspects = agreeing, repeats.suspects
    alone = not any(r.reading_mm is not None or r.by_hand for r in agreeing)
    done = (
        None
        if alone and repeats.torn
        else fit(gather(agreeing, walk, machine, known), walk, table, known, budget)
    )
    if repeats.torn:

        def expected(key: tuple[str, str]) -> tuple[float, float] | None:
            if done is None or key not in walk.keys:
                return None
            column = walk.keys.index(key)
            _, sd = done.posterior.linear(walk.linearise()[1][column])
            return float(walk.readings(done.posterior.mean[None])[0, column]), float(np.hypot(sd, single))

        kept, torn = settle_torn(repeats.kept, repeats.torn, expected, slip_limit(len(readings)))
        suspects += torn
        if done is None or len(kept) > len(agreeing):
            done = fit(gather(kept, walk, machine, known), walk, table, known, budget)
    assert done is not None
    width = machine.line_width_mm
    seen, notes = eye_facts(walk.manifest, kept, width, done.posterior)
    done = with_more_facts(done, seen) if seen else done
    facts, trial_notes = trial_facts(walk, kept, width, done.posterior)
    return Readout(
        readings=kept,
        fit=with_more_facts(done, facts) if facts else done,
        suspects=suspects + name_outliers(done),
        trial_notes=(*notes, *trial_notes),
    )
