"""The measuring sheet: what to print, where the jaws go, blanks for the readings, as one PDF."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from fitassay.coupons.errors import InputError
from fitassay.coupons.feature import Manifest
from fitassay.coupons.machine import Machine

if TYPE_CHECKING:
    from fitassay.coupons.solid import Solid


def sheet_pdf(
    manifest: Manifest,
    solids: Mapping[str, Solid] | str | Path,
    machine: Machine,
    *,
    paper: Literal["a4", "letter"] = "a4",
) -> bytes:
    """Draw the measuring sheet; the same bytes for the same input.

    Parameters
    ----------
    manifest : Manifest
        The coupons in measuring order.
    solids : mapping of coupon id to solid, or folder
        The meshes, or where their STL files lie.
    machine : Machine
        Its settings are printed on the sheet.
    paper : "a4" or "letter"

    Returns
    -------
    bytes
        A PDF. Drawings are to the scale written beside them when it is printed at 100 %.

    Raises
    ------
    InputError
        The paper is unknown, the manifest is empty, or a mesh is missing or broken.
    """
    # The PDF and mesh libraries take longer to load than the rest of the package together.
    from fitassay.coupons.sheet.pages import compose
    from fitassay.coupons.sheet.paper import SIZES_MM

    if paper not in SIZES_MM:
        raise InputError(f"paper must be one of {', '.join(SIZES_MM)} (got {paper!r})", "paper")
    if not manifest.coupons:
        raise InputError("the manifest holds no coupon; make the coupons first", "coupons.json")
    return compose(manifest, solids, machine, paper)
