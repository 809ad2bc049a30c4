"""A section that another part of the program adds to the report."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from fitassay.labels import LONGEST_SENTENCE, plain


@dataclass(frozen=True, kw_only=True)
class Picture:
    """A drawing and its caption.

    Attributes
    ----------
    svg : Markup or str
        SVG text; as `markupsafe.Markup` it is trusted, as plain text it is escaped.
    caption : str
    """

    svg: Any
    caption: str


@dataclass(frozen=True, kw_only=True)
class Section:
    """Sentences, drawings and a table.

    Attributes
    ----------
    id : str
        Letters and hyphens, unique on the page.
    title, text : str
        Text is escaped on the page, here and below.
    sentences : tuple of str
    pictures : tuple of Picture
    heads : tuple of str
    rows : tuple of tuple of str
        The first column heads its row.
    """

    id: str
    title: str
    text: str = ""
    sentences: tuple[str, ...] = ()
    pictures: tuple[Picture, ...] = ()
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()

    def harmless(self) -> Section:
        """The same without control characters and endless texts."""
        return replace(
            self,
            title=plain(self.title),
            text=plain(self.text, LONGEST_SENTENCE),
            sentences=tuple(plain(s, LONGEST_SENTENCE) for s in self.sentences),
            pictures=tuple(replace(p, caption=plain(p.caption)) for p in self.pictures),
            heads=tuple(plain(h) for h in self.heads),
            rows=tuple(tuple(plain(c) for c in row) for row in self.rows),
        )
