"""Coupons: shapes, marks, plates, export, manifest and measuring sheet. Knows nothing of the analysis.

Start at `coupons.make.build_set` (a machine in, a set of coupons out); families live in `coupons.families`.
"""
