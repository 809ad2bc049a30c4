"""What prints, readings and sliced files say of a printer.

One folder a job, in the order in which they build on each other: readings, chain, estimation, diagnosis, prints,
gcode, parts, validation. Start at `diagnosis.diagnose`; the error terms are the table in `terms`.
"""
