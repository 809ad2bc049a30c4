"""Printers for the tests, by the size of their errors."""

from __future__ import annotations

import numpy as np

from fitassay.analysis.terms import INDEX, NAMES


def printer(**errors: float) -> np.ndarray:
    """Error terms of a printer, ndarray (terms,); those not named are nil."""
    theta = np.zeros(len(NAMES))
    for name, value in errors.items():
        theta[INDEX[name]] = value
    return theta
