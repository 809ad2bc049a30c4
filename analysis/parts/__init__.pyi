from .pairs import Pair as Pair
from .pairs import PairPrediction as PairPrediction
from .part_file import Part as Part
from .part_file import read_parts as read_parts
from .part_file import write_parts as write_parts
from .virtual_print import prove as prove
from .walls import walk_walls as walk_walls
