"""Several prints of one printer: settings changed between them, what carries over, whether a change did its work."""
