"""Diagnosis: which error spoils the fit, how sure that is, what to change and what to read or print next."""
