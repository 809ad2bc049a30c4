"""When an outer wall is drawn among the walls beside it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Literal

Order = Literal["outer wall first", "inner walls first", "outer wall between inner ones", "one wall only"]

ALIKE = 0.99
"""Share of the places that must agree before the order is more than mixed."""


def order_among(own: tuple[int, int], others: list[tuple[int, int]]) -> Order:
    """The order of one wall, from when it and those inside it are drawn: layer, and move of the layer."""
    if not others:
        return "one wall only"
    if own < min(others):
        return "outer wall first"
    return "inner walls first" if own > max(others) else "outer wall between inner ones"


def usual_order(found: Iterable[tuple[Order, int]]) -> str:
    """What most places have in common, each with its order and number of walls.

    Of two walls nobody can say whether further ones would follow: where some places have three, these decide.
    """
    places = [(order, walls) for order, walls in found if order != "one wall only"]
    many = [order for order, walls in places if walls > 2] or [order for order, _ in places]
    if not many:
        return "one wall only"
    usual, times = Counter(many).most_common(1)[0]
    return usual if times > ALIKE * len(many) else "mixed"
