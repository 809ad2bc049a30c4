"""Estimation: from readings and facts to a normal distribution of the error terms."""
