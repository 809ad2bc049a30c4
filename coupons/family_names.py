"""Names of the families that others than `make` must know; apart from the families, which load all that draws."""

from __future__ import annotations

COMB = "reversal-comb"
LADDER = "fit-ladder"
