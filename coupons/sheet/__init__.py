"""The measuring sheet: one PDF with drawings, instructions and blanks."""
