"""Sliced files (RS-274): where their path really stands, before anything is printed."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
