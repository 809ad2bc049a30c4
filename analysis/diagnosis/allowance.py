"""What real printers do beside the error terms, allowed for in each term before anybody is accused or advised.

To flat jaws uneven layers look like a wide bead (+1 on outsides and walls, -1 on openings), dense filling that pushes
the walls of solid pieces out looks like a path offset, and so on for the rows of `Term.allowance`. Which of the two
it is the readings do not tell, so the term itself is known less well, and is expected smaller, than its estimate:

    term ~ N(m - mean, C + diag(sd^2))

Lost motion is taken up only in part on short travels: each play is allowed a share of both more.
"""

from __future__ import annotations

import numpy as np

from fitassay.analysis.normal import Normal
from fitassay.analysis.terms import PLAYS, TERMS

# Of the plays together (common practice, no source).
ELASTIC_SHARE = 0.06


def allowed(posterior: Normal) -> Normal:
    """The terms themselves, one set or n, where `posterior` is what the readings look like."""
    mean = posterior.mean - np.array([t.allowance_mean for t in TERMS])
    extra = np.broadcast_to([t.allowance**2 for t in TERMS], mean.shape).copy()
    plays = list(PLAYS)
    extra[..., plays] += ELASTIC_SHARE**2 * np.sum(posterior.mean[..., plays] ** 2, axis=-1, keepdims=True)
    return Normal(mean=mean, cov=posterior.cov + extra[..., None] * np.eye(len(TERMS)))
