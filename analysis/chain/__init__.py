"""The chain from a shape to a caliper reading: section, loops, lost motion, bead, span; and its sensitivities."""
