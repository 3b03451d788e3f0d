"""Programs under test that get signals, whatever the tests themselves were started with.

Started in the background of a script, or by nohup, they inherit signals that are ignored. And
pandas, which the tests' statsmodels needs, is loaded by sqlite-utils wherever it is found: it is
kept from them, as where the program alone is installed.
"""

# Put before a program's own code: `python -c`.
AS_STARTED_BY_HAND = """
import signal, sys
sys.modules["pandas"] = None
signal.signal(signal.SIGINT, signal.default_int_handler)
for number in (signal.SIGTERM, signal.SIGHUP):
    signal.signal(number, signal.SIG_DFL)
"""
