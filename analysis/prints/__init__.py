"""Several prints of one printer: settings changed between them, what carries over, whether a change did its work."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
