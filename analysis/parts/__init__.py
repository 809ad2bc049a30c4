"""The user's own parts: sizes, fits, and drawings corrected for one printer."""
