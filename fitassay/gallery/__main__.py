"""Runs the gallery's remaking: python -m fitassay.gallery."""

import sys

from fitassay.gallery.make import main

sys.exit(main(sys.argv[1:]))
