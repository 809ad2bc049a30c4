from .layers import coupon_layers as coupon_layers
from .layers import plate_layers as plate_layers
from .stroke import Stroke as Stroke
