"""Runs the command line: python -m fitassay."""

from fitassay.cli import main

if __name__ == "__main__":
    main()
