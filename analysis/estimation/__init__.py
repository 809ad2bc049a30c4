"""Estimation: from readings and facts to a normal distribution of the error terms."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
