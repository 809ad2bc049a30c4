"""Remakes the pictures and the guide's made pages in gallery/."""
