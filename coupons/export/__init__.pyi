from .manifest import manifest_json as manifest_json
from .manifest import read_manifest as read_manifest
from .stl import read_coupon as read_coupon
from .stl import read_stl as read_stl
from .stl import stl_bytes as stl_bytes
from .threemf import Item as Item
from .threemf import threemf_bytes as threemf_bytes
