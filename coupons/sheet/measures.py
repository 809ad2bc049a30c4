"""How large the signs on the sheet's drawings are, and how far they keep apart; all in mm of paper."""

from __future__ import annotations

# Line widths, two to one as in ISO 128 (from memory), and one heavier for what is measured.
WIDE, NARROW, MEASURED = 0.35, 0.18, 0.8

# A dimension: its arrows, from where on they stand inside, and its number's circle.
ARROW = 2.5
ARROWS_INSIDE = 2 * ARROW + 1.0
BALLOON = 4.2
# Its extension lines begin so far from the outline and go so far beyond it; its figure stands so far above it.
GAP, BEYOND, TEXT_GAP = 0.8, 1.5, 0.7
# Rows outside of the piece: how far out the first stands, and how far apart they are.
FIRST_ROW, ROW = 9.0, 6.0

# An outside jaw: along the face, and away from it.
JAW_ACROSS, JAW_DEEP = 3.4, 3.2
# An inside jaw: with their rear corners cut, four of them find room in a 12 mm square.
NIB_ACROSS, NIB_DEEP, NIB_CUT, NIB_TIP = 3.0, 2.7, 0.6, 1.0
# Jaws of one wall that come nearer than this hide it.
WALL_LEAST = 1.5

# The circle of the seam's sign, and the length of the arrows that say how the piece lies.
SEAM_RADIUS, AXIS = 1.8, 11.0
