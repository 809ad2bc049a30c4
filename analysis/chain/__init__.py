"""The chain from a shape to a caliper reading: section, loops, lost motion, bead, span; and its sensitivities."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
