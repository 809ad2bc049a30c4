"""How honest the verdict is, on large seeded populations of virtual printers."""
