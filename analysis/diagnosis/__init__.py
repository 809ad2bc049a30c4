"""Diagnosis: which error spoils the fit, how sure that is, what to change and what to read or print next."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
