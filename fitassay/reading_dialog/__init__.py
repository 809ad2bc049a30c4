"""Readings asked for at the terminal, each on disk before the next."""
