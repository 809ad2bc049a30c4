"""What deserves a warning about the beads of a file: flow, width, and whether all walls have the same."""

from __future__ import annotations

from fitassay.analysis.gcode.bead_accounts import Account
from fitassay.analysis.gcode.trace_data import Bead
from fitassay.coupons.wording import listed

WIDTH_WARNING = 0.05
FLOW_WARNING = 0.005
FLOW_STRANGE = 0.25
SPREAD_WARNING = 0.03


def bead_remarks(bead: Bead | None, offset_mm: float | None = None) -> list[str]:
    """Sentences; none where nothing is strange."""
    if bead is None:
        return []
    said = []
    if bead.flow is not None and abs(bead.flow - 1) > max(FLOW_WARNING, bead.spread / bead.width):
        said.append(_flow(bead, bead.flow))
    if bead.others:
        said.append(_ambiguous(bead, offset_mm))
    fed = list(bead.by_coupon.values())
    # Where one coupon's beads differ as much among themselves, their middles differ by chance.
    apart = max(fed, default=0.0) - min(fed, default=0.0)
    if fed and apart > max(SPREAD_WARNING * min(fed), 2 * bead.spread_in_coupon):
        beads = listed(f"{key} {width:.3f} mm" for key, width in bead.by_coupon.items())
        said.append(
            f"The coupons are fed for beads of their own ({beads}): slice all of them with the same width and flow, "
            "or their readings do not belong together."
        )
    elif bead.spread > SPREAD_WARNING * bead.width:
        said.append(
            f"The beads of the outer walls are uneven: their widths differ by {bead.spread:.3f} mm about the middle "
            "one, so sizes will too."
        )
    if abs(bead.width / bead.profile - 1) > WIDTH_WARNING:
        said.append(
            f"The commanded bead is {bead.width:.3f} mm wide, the profile says {bead.profile:g} mm: set "
            "the bead width in machine.toml or that of the program, so that both say the same."
        )
    return said


def _flow(bead: Bead, flow: float) -> str:
    enough = ", beads counted with square ends" if bead.square else f", enough for {bead.fed:.3f} mm"
    told = (
        f"The walls lie as a bead {bead.width:.3f} mm wide needs it, but the filament fed is {100 * flow:.1f} % of "
        f"what that takes{enough}: "
    )
    if abs(flow - 1) > FLOW_STRANGE:
        return (
            told
            + "that is no usual flow percentage: does the slicing program count with another filament diameter?"
        )
    return told + (
        "a flow percentage is set in the slicing program; write it into machine.toml as flow_percent."
    )


def _ambiguous(bead: Bead, offset_mm: float | None) -> str:
    """All the beads that walls and filament fit, and where the path stands under each."""
    first = Account(width=bead.width, flow=bead.flow, square=bead.square)
    told = "; or ".join(_account(a, bead, offset_mm) for a in (first, *bead.others))
    return (
        f"The walls' distance and the filament fit more than one bead: {told}. The first is assumed; compare with "
        "the line width and the flow set in the slicing program before you change anything by this file."
    )


def _account(account: Account, bead: Bead, offset_mm: float | None) -> str:
    flow = "" if account.flow is None else f" at a flow of {100 * account.flow:.1f} %"
    ends = ", counted with square ends" if account.square else ""
    told = f"{account.width:.3f} mm wide{flow}{ends}"
    if offset_mm is None:
        return told
    stands = offset_mm + (account.width - bead.width) / 2
    way = "outside" if stands > 0 else "inside"
    return f"{told}, the path {abs(stands):.3f} mm {way} its place"
