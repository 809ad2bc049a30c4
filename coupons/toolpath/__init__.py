"""Tool paths of our own: walls and filling from bead and outline, layer by layer, and the reversal card."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
