from .book import ReadingsBook as ReadingsBook
from .file import read_readings as read_readings
from .plausibility import plausible as plausible
from .plausibility import suggestion as suggestion
from .reading import Reading as Reading
from .reading import blank_readings as blank_readings
from .reading import parse_reading as parse_reading
from .table import Table as Table
