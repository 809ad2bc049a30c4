"""What joints are shaped like, by name: pegs in holes, and tongues along the edges of parts."""

from __future__ import annotations

from typing import Literal, get_args

Profile = Literal["slot", "key", "tab", "dovetail", "t-slot", "t-head", "rack"]
"""Along an edge; `chain.profiles` says which is which."""
PROFILES: tuple[Profile, ...] = get_args(Profile)

Shape = Literal["round", "square", Profile]
SHAPES: tuple[Shape, ...] = ("round", "square", *PROFILES)
