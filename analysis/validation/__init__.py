"""What puts the interpreter to the test: populations of virtual printers. No part of the product's path."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
