"""Files for slicing programs and for the rest of the job: STL, 3MF, coupons.json."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
