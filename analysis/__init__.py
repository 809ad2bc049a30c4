"""Analysis: from outlines to toolpaths, sensitivities, readings, estimates, verdict, advice and fits.

Start at `analysis.interpret.diagnose`; the error terms are the table in `analysis.terms`, and what a print reads
is computed in `analysis.walk`.
"""
