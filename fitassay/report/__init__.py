"""The report and the verdict in words and pictures; nothing computed here."""
