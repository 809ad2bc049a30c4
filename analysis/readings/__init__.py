"""Readings: what the caliper said, as data and as files that people edit."""
