"""Hostile files of every kind: seeded changes of good files, run through the commands that read them."""
