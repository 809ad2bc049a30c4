"""The user's own parts: sizes, fits, and drawings corrected for one printer."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
