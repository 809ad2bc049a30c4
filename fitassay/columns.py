"""How wide the terminal is, within reason."""

from __future__ import annotations

import os
import sys

NARROWEST, WIDEST = 60, 110


def width() -> int:
    """Columns to write in; the terminal's, within reason."""
    # As shutil.get_terminal_size, whose module would be a tenth of what help takes to load.
    told = os.environ.get("COLUMNS", "")
    columns = int(told) if told.isascii() and told.isdigit() and len(told) < 9 else 0
    if not columns:
        try:
            columns = os.get_terminal_size(sys.__stdout__.fileno() if sys.__stdout__ else 1).columns
        except (ValueError, OSError):
            columns = 0
    return max(NARROWEST, min(WIDEST, columns or 80))
