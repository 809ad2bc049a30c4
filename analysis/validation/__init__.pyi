from .population import Mix as Mix
from .population import draw_printers as draw_printers
from .rough_printer import RoughPrinters as RoughPrinters
from .virtual_caliper import Hand as Hand
from .virtual_caliper import Noise as Noise
from .virtual_caliper import read_sets as read_sets
