"""Tables of what is known by its name: effects, recipes, mixes, hands."""

from __future__ import annotations

from typing import Protocol, TypeVar


class Named(Protocol):
    """What carries its own name."""

    @property
    def name(self) -> str: ...


T = TypeVar("T", bound=Named)


def by_name(*rows: T) -> dict[str, T]:
    """The rows in their order, each under its name.

    Raises
    ------
    ValueError
        Two rows of one name.
    """
    table = {row.name: row for row in rows}
    if len(table) < len(rows):
        raise ValueError("two rows have the same name")
    return table
