"""Sliced files (RS-274): where their path really stands, before anything is printed."""
