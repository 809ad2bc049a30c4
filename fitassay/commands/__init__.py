"""The commands, one a file; each holds `command`."""
