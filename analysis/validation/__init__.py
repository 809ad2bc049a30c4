"""What puts the interpreter to the test: populations of virtual printers. No part of the product's path."""
