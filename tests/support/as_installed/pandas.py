"""Keeps pandas from the programs that tests start, as where the program alone is installed.

The tests' statsmodels needs it, and sqlite-utils loads it wherever it is found, for 0.3 s each.
"""

raise ImportError("only the tests have pandas")
