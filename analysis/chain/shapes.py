"""What joints are shaped like, by name: pegs in holes, and tongues along the edges of parts."""

from __future__ import annotations

from typing import Literal, get_args

from fitassay.coupons.errors import InputError

Profile = Literal["slot", "key", "tab", "dovetail", "t-slot", "t-head", "rack"]
"""Along an edge; `chain.profiles` says which is which."""
PROFILES: tuple[Profile, ...] = get_args(Profile)

Shape = Literal["round", "square", Profile]
SHAPES: tuple[Shape, ...] = ("round", "square", *PROFILES)


class ThinPeg(InputError):
    """A peg or tongue too thin for one bead; how wide it is drawn [mm]."""

    def __init__(self, what: str, size_mm: float, width: float, place: str = "predict") -> None:
        super().__init__(f"a {size_mm:g} mm {what} is thinner than one bead of {width:g} mm", place)
        self.size_mm = size_mm
